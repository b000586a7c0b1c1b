"""Which soak a short run may rest on, and whether that soak still counts.

A soak teaches about runs of the same kind of part at the same bench: same part id,
same counter by its serial number, same divider, simulated for simulated. Gate and
spacing of the readings are compared by the judge, which sees them.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

from benchlog.analysis.running import Running
from benchlog.errors import NoFiguresError, NotFoundError
from benchlog.evaluation.figured import figured
from benchlog.model import (
    Identity,
    LearntStability,
    PositionSpec,
    Purpose,
    Run,
    RunPlan,
)
from benchlog.store.reader import Reader
from benchlog.verdict.soak.learnt_stability import is_fresh, learnt_from_soak

RESTING: Final = (Purpose.MEASURE, Purpose.INSPECT)
"""Purposes of runs that may rest on a soak."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShortRun:
    """What a soak must have in common with a run; `at_utc_ns` is when that begins."""

    part_id: str
    nominal_hz: float
    bench: str
    divider: float
    counter: Identity
    simulated: bool
    at_utc_ns: int


class LearntSoaks:
    """Finds soaks in a database; each is read once, however many runs rest on it."""

    def __init__(self) -> None:
        self._known: dict[tuple[int, int], LearntStability | None] = {}

    def newest(self, reader: Reader, short: ShortRun) -> LearntStability | None:
        """Return what the newest fitting soak has taught; None without one."""
        taught = (self.taught_by(reader, soak) for soak in soaks_for(reader, short))
        return next((one for one in taught if one is not None), None)

    def taught_by(self, reader: Reader, soak: Run) -> LearntStability | None:
        """Return what a soak has taught; None where its readings tell nothing."""
        key = (soak.id, soak.ended_utc_ns or 0)
        if key not in self._known:
            try:
                self._known[key] = _taught_by(reader, soak)
            except NoFiguresError:
                self._known[key] = None
        return self._known[key]


def _taught_by(reader: Reader, soak: Run) -> LearntStability | None:
    running = Running(soak.nominal_hz, soak.divider)
    for columns in reader.chunks(soak.id):
        running.feed(figured(soak.id, columns))
    return learnt_from_soak(
        running.stats(),
        run_id=soak.id,
        device=soak.device,
        began_utc_ns=soak.started_utc_ns,
        ended_utc_ns=soak.ended_utc_ns or soak.started_utc_ns,
    )


def soaks_for(reader: Reader, short: ShortRun) -> Iterator[Run]:
    """Yield the soaks that a run may rest on, the newest first."""
    if not short.counter.serial:
        return  # one counter cannot be told from another
    for soak in reader.soaks(short.part_id):
        if _fits(soak, short):
            yield soak


def short_run_of(run: Run) -> ShortRun | None:
    """Return what a soak must have in common with a run that was begun.

    None for a run that may rest on none.
    """
    identity = run.counter_identity
    if run.made_for not in RESTING or identity is None:
        return None
    return ShortRun(
        part_id=run.part_id or run.part.id,
        nominal_hz=run.nominal_hz,
        bench=run.bench,
        divider=run.divider,
        counter=identity,
        simulated=run.simulated,
        at_utc_ns=run.started_utc_ns,
    )


def begun_with(
    reader: Reader,
    soaks: LearntSoaks,
    plan: RunPlan,
    position: PositionSpec,
    counter: Identity,
    *,
    simulated: bool,
    at_utc_ns: int,
) -> LearntStability | None:
    """Return what a run that is about to begin may rest on; None for nothing."""
    if plan.alone or plan.purpose not in RESTING:
        return None
    short = ShortRun(
        part_id=plan.part.id,
        nominal_hz=plan.part.nominal_hz,
        bench=plan.bench.name,
        divider=position.divider,
        counter=counter,
        simulated=simulated,
        at_utc_ns=at_utc_ns,
    )
    return soaks.newest(reader, short)


def as_counted(reader: Reader, run: Run) -> Run:
    """Return the run with why the soak it rests on does not count any more.

    A soak that is not in this database, because the run came with a file, is believed.
    """
    if run.learnt is None:
        return run
    try:
        soak = reader.run(run.learnt.run_id)
    except NotFoundError:
        return run
    if soak.started_utc_ns != run.learnt.began_utc_ns or soak.counts:
        return run
    void = soak.why_not_counted
    return replace(run, learnt=replace(run.learnt, void=void))


def _fits(soak: Run, short: ShortRun) -> bool:
    """Whether a soak counts, is fresh, and was of the same kind at the same counter."""
    identity = soak.counter_identity
    return (
        soak.counts
        and soak.ended_utc_ns is not None
        and is_fresh(soak.ended_utc_ns, short.at_utc_ns)
        and soak.bench == short.bench
        and soak.simulated == short.simulated
        and soak.nominal_hz == short.nominal_hz
        and soak.divider == short.divider
        and identity is not None
        and identity.who == short.counter.who
    )
