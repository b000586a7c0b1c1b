"""Runs of the database as sides of a comparison."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import numpy as np

from benchlog.analysis.pairing import Pairs, pairs_of
from benchlog.analysis.thinning import Measured, measured
from benchlog.model import Columns, Pulses, Run
from benchlog.verdict.run.comparison import Difference, Side, compare
from benchlog.verdict.run.judges import judge_for
from benchlog.verdict.run.pulse_judge import PulseJudge


@dataclass(frozen=True, slots=True)
class RunSide:
    """One run of a comparison.

    `columns` are its readings; of pulses, offsets over stretches of it. `as_read` are
    the same as time and offset, not corrected: what both runs share falls out.
    """

    run: Run
    side: Side
    columns: Columns
    as_read: Measured

    @property
    def corrected(self) -> Measured:
        """The readings, corrected for what is known of the time base."""
        base_ppm = self.side.assessment.timebase.offset_ppm
        return measured(self.columns, self.run, base_ppm)


def run_side(run: Run, columns: Columns, pulses: Callable[[], Pulses]) -> RunSide:
    """Return a run as one side; `pulses` fetches those of a run that has them."""
    judge = judge_for(run)
    judge.feed(columns)
    if isinstance(judge, PulseJudge):
        judge.feed_pulses(pulses())
        columns = judge.charted()
    counter, ageing = _counter(run)
    assessment = judge.assessment()
    side = Side(run.id, run.device, assessment, counter, run.started_utc_ns, ageing)
    return RunSide(run, side, columns, measured(columns, run, 0.0))


def differences(sides: Iterable[RunSide]) -> tuple[Difference, ...]:
    """Return how each but the first compares with the first."""
    first, *others = sides
    return tuple(_against(first, other) for other in others)


def _against(first: RunSide, other: RunSide) -> Difference:
    found = compare(first.side, other.side, _pairs(first, other))
    void = [
        f"run {one.run.id} is void ({one.run.void}): it counts for nothing"
        for one in (first, other)
        if one.run.void is not None
    ]
    doubts = [
        f"run {one.run.id}: {one.run.timebase.doubt}"
        for one in (first, other)
        if one.run.timebase is not None and one.run.timebase.doubt
    ]
    return replace(found, notes=(*found.notes, *void, *doubts))


def _counter(run: Run) -> tuple[str, float | None]:
    """Return who measured the frequency, and the ageing stated of its time base."""
    who, spec = run.counter_identity, run.counter_spec
    serial = " ".join(who.who) if who is not None and who.serial else ""
    return serial, None if spec is None else spec.timebase_ageing_ppm_per_year


def _pairs(a: RunSide, b: RunSide) -> Pairs | None:
    """Pair readings by UTC where both were measured at the same time."""
    stamps = a.columns.utc_ns, b.columns.utc_ns
    if any(not len(s) or np.any(s < 0) or np.any(np.diff(s) <= 0) for s in stamps):
        return None
    spacings = [one.side.assessment.stats.tau0_s for one in (a, b)]
    if not spacings[0] or not spacings[1]:
        return None
    if not 0.5 < spacings[1] / spacings[0] < 2.0:
        return None
    tolerance_s = 0.5 * min(spacings[0], spacings[1])
    ppm = a.as_read.ppm, b.as_read.ppm
    return pairs_of((stamps[0], ppm[0]), (stamps[1], ppm[1]), tolerance_s)
