"""All that a page says of a run, read once from the store and judged."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, TypeVar

import numpy as np

from benchlog.analysis.fitting.temperature import (
    TemperatureData,
    TemperatureFit,
    fit_temperature,
    law_of,
)
from benchlog.analysis.placed_steps import PlacedStep, leveled
from benchlog.analysis.series import series_from_columns
from benchlog.analysis.stability.estimation import Stability, stability
from benchlog.analysis.thinning import (
    Measured,
    ThinnedRun,
    averaged,
    measured,
    trace_of,
)
from benchlog.catalogue import list_uses
from benchlog.errors import DataError
from benchlog.evaluation.run_evaluation import Evaluation, evaluate
from benchlog.evaluation.stability.run_over_time import RunOverTime, run_over_time
from benchlog.evaluation.step_events import steps_of
from benchlog.evaluation.studies import (
    counting_of,
    imported_phase,
    series_of,
    stamps_of,
    with_stamps,
)
from benchlog.model import (
    Columns,
    Event,
    Purpose,
    ReferenceCheck,
    Run,
)
from benchlog.pages.study_charts import codes_of
from benchlog.store.reader import Reader
from benchlog.store.rows import Amendment, ConditionSpan, VerdictRow
from benchlog.verdict import Assessment
from benchlog.verdict.fitness.fitness import Fitness, fitness
from benchlog.verdict.fitness.serial_links import without_repeats
from benchlog.verdict.fitness.source import measured_source
from benchlog.verdict.timebase.check_validity import KnownChecks, check_behind

_T = TypeVar("_T")
EVENTS: Final = 200
"""Events printed of one run; the others are counted."""
_LEAST_SWING_C: Final = 0.5
_CURVED_FROM_C: Final = 5.0
"""Over less, a straight line is all that ambient can tell."""


_LONG: Final = 1_000  # our rule: from so many readings on a run is followed over time


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRecord:
    """One run with its figures; what the data cannot give is None, `notes` say why."""

    evaluation: Evaluation
    measured: Measured
    trace: ThinnedRun | None
    stability: Stability | None
    temperature: tuple[TemperatureData, TemperatureFit] | None
    fitness: tuple[Fitness, ...]
    conditions: Sequence[ConditionSpan]
    events: Sequence[Event]
    more_events: bool
    verdicts: Sequence[VerdictRow]
    amendments: Sequence[Amendment]
    codes: Mapping[int, tuple[float, str]]
    check: ReferenceCheck | None
    notes: tuple[str, ...]
    steps: tuple[PlacedStep, ...] = ()
    over_time: RunOverTime | None = None

    @property
    def run(self) -> Run:
        """The run as amended."""
        return self.evaluation.run

    @property
    def assessment(self) -> Assessment:
        """Its figures and verdict."""
        return self.evaluation.assessment


def run_record(reader: Reader, run: Run) -> RunRecord:
    """Read a run and work out what its page says. Raises StoreError, DataError."""
    checks = [check for _, check in reader.reference_checks()]
    evaluation = evaluate(
        reader, run, summary="long", whole=True, checks=KnownChecks(checks)
    )
    run, assessment = evaluation.run, evaluation.assessment
    columns = evaluation.columns
    assert columns is not None  # they were asked for
    found = measured(columns, run, assessment.timebase.offset_ppm)
    notes: list[str] = []
    events = [event for _, event in reader.events(run.id)]
    steps = () if evaluation.pulses else steps_of(events, columns, found.t_s, found.ppm)
    return RunRecord(
        evaluation=replace(evaluation, columns=None),
        measured=found,
        trace=trace_of(found) if len(columns) else None,
        stability=_or_none(
            notes, "stability", lambda: _stability(reader, evaluation, columns)
        ),
        temperature=_or_none(
            notes, "temperature law", lambda: _temperature(found, run, steps)
        ),
        fitness=_fitness(run, assessment),
        conditions=reader.condition_spans(run.id),
        events=events[:EVENTS],
        more_events=len(events) > EVENTS,
        verdicts=reader.verdicts(run.id),
        amendments=reader.amendments(run.id),
        codes=_codes(reader, run),
        check=check_behind(run, checks),
        notes=tuple(notes),
        steps=steps,
        over_time=_over_time(reader, run) if len(columns) >= _LONG else None,
    )


def _or_none(notes: list[str], what: str, work: Callable[[], _T]) -> _T | None:
    try:
        return work()
    except DataError as error:
        notes.append(f"no {what}: {error}")
        return None


def _stability(reader: Reader, evaluation: Evaluation, columns: Columns) -> Stability:
    run = evaluation.run
    if evaluation.assessment.timing is not None:
        series = series_of(reader, run)
        return with_stamps(stability(series), stamps_of(run, series))
    imported = imported_phase(reader, run)
    if imported is not None:
        return stability(imported)
    if len(columns) < 3:
        raise DataError("it needs at least 3 readings")
    counting = counting_of(run)
    return stability(
        series_from_columns(columns, run.nominal_hz, run.divider, counting)
    )


def _over_time(reader: Reader, run: Run) -> RunOverTime | None:
    try:
        return run_over_time(reader, run, series_of(reader, run))
    except DataError:
        return None  # why there is no stability is told already


def _temperature(
    found: Measured, run: Run, steps: Sequence[PlacedStep]
) -> tuple[TemperatureData, TemperatureFit] | None:
    """Fit the usual law of the kind, or a line; None where ambient hardly moved.

    Steps are taken off: no temperature made them.
    """
    level = replace(found, ppm=leveled(found.t_s, found.ppm, steps))
    t_s, ambient_c, ppm = averaged(level)
    swing_c = float(np.ptp(ambient_c)) if len(t_s) else 0.0
    if len(t_s) < 3 or swing_c < _LEAST_SWING_C:
        return None
    data = TemperatureData(t_s, ambient_c, ppm, run.thermometer_u_c)
    limits = run.part.limits
    law = law_of(run.part.kind) if swing_c >= _CURVED_FROM_C else "line"
    fit = fit_temperature(data, law, reference_c=limits.reference_c, limits=limits)
    return data, fit


def _fitness(run: Run, assessment: Assessment) -> tuple[Fitness, ...]:
    if assessment.offset_ppm is None or assessment.u_ppm is None:
        return ()
    uses = without_repeats(list_uses()[0])
    return fitness(uses, measured_source(run.device, run.part, assessment))


def _codes(reader: Reader, run: Run) -> dict[int, tuple[float, str]]:
    if run.made_for is not Purpose.TRIM:
        return {}
    return codes_of(event for _, event in reader.events(run.id))
