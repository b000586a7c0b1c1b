"""What runs tell of a bench: against a reference, and of a check standard."""

from dataclasses import dataclass
from typing import Final

from benchlog.errors import DataError
from benchlog.evaluation.figured import figured
from benchlog.evaluation.run_evaluation import RunEvaluator
from benchlog.model import InstrumentSpec, Purpose, ReferenceSpec, Run
from benchlog.store.reader import Reader
from benchlog.verdict.timebase.governing_check import CheckComparison
from benchlog.verdict.timebase.reference_check import Finding, by_pulses, by_readings

_MOST: Final = 1000  # our rule: the newest runs of a device that are looked through


@dataclass(frozen=True, slots=True, kw_only=True)
class Weighed:
    """Whether a check was kept, why it should not be, and what else to know of it.

    `beside` is how it stands to the check that ruled until then, where one did;
    `unused` says that what the bench file states goes on instead, where it does.
    """

    kept: bool
    refusals: tuple[str, ...]
    warnings: tuple[str, ...]
    notes: tuple[str, ...]
    beside: CheckComparison | None = None
    unused: str = ""

    @property
    def in_use(self) -> bool:
        """Whether later runs are corrected by it."""
        replaces = self.beside is None or self.beside.in_use
        return self.kept and replaces and not self.unused

    @property
    def told(self) -> tuple[str, ...]:
        """What else to know of it, that it is not used first."""
        return tuple(one for one in (self.unused, *self.notes) if one)


def finding_of(
    reader: Reader, run: Run, reference: ReferenceSpec, counter: InstrumentSpec
) -> Finding:
    """Work out what a run says of the time base of a counter.

    All its readings are in memory for that. Raises DataError when the signal is not
    the reference, pulses come at another rate than stated, or too little came.
    """
    evaluator = RunEvaluator(run)
    if not evaluator.of_pulses:
        columns = figured(run.id, reader.columns_after(run.id))
        return by_readings(columns, reference, counter, run.resolution_hz)
    evaluator.feed(reader.pulses_after(run.id))
    if doubt := evaluator.rate_doubt():
        raise DataError(doubt)
    compared, counts = evaluator.trains()
    return by_pulses(compared, counts, reference, counter)


# --- a check standard ----------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class StandardPoint:
    """One time that a check standard was measured; `u_ppm` is U (95 %)."""

    run: int
    utc_ns: int
    offset_ppm: float
    u_ppm: float


def standard_history(reader: Reader, run: Run) -> list[StandardPoint]:
    """Return how a run's check standard was measured on its bench, the newest last."""
    runs = reader.runs(device=run.device, part=run.part.id, limit=_MOST)
    points = [
        StandardPoint(one.id, one.started_utc_ns, one.offset_ppm, one.u_ppm)
        for one in reversed(runs)
        if _is_of_standard(one, run)
        and one.offset_ppm is not None
        and one.u_ppm is not None
    ]
    return [point for point in points if point.run <= run.id]


def _is_of_standard(one: Run, run: Run) -> bool:
    same = (one.purpose, one.bench) == (Purpose.REFCHECK, run.bench)
    return same and one.counts
