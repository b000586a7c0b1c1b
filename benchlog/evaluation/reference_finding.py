"""What a run against a reference says of a counter's time base."""

from benchlog.evaluation.run_evaluation import RunEvaluator
from benchlog.model import InstrumentSpec, ReferenceSpec, Run
from benchlog.store.reader import Reader
from benchlog.verdict.timebase.reference_check import Finding, by_pulses, by_readings


def finding_of(
    reader: Reader, run: Run, reference: ReferenceSpec, counter: InstrumentSpec
) -> Finding:
    """Work out what a run says of the time base of a counter.

    All its readings are in memory for that. Raises DataError when the signal is not
    the reference, or too little came.
    """
    evaluator = RunEvaluator(run)
    if not evaluator.of_pulses:
        columns = reader.columns_after(run.id)
        return by_readings(columns, reference, counter, run.resolution_hz)
    evaluator.feed(reader.pulses_after(run.id))
    compared, counts = evaluator.trains()
    return by_pulses(compared, counts, reference, counter)
