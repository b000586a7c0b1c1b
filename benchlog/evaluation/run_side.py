"""Runs of the database as sides of a comparison."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from benchlog.analysis.pairing import Pairs, pairs_of
from benchlog.analysis.thinning import Measured, measured
from benchlog.model import Columns, Pulses, Run
from benchlog.verdict.compare import Difference, Side, compare
from benchlog.verdict.judging import judge_for
from benchlog.verdict.pulsejudge import PulseJudge


@dataclass(frozen=True, slots=True)
class Taken:
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


def taken(run: Run, columns: Columns, pulses: Callable[[], Pulses]) -> Taken:
    """Return a run as one side; `pulses` fetches those of a run that has them."""
    judge = judge_for(run)
    judge.feed(columns)
    if isinstance(judge, PulseJudge):
        judge.feed_pulses(pulses())
        columns = judge.charted()
    counter, ageing = _counter(run)
    assessment = judge.assessment()
    side = Side(run.id, run.device, assessment, counter, run.started_utc_ns, ageing)
    return Taken(run, side, columns, measured(columns, run, 0.0))


def differences(sides: Iterable[Taken]) -> tuple[Difference, ...]:
    """Return how each but the first compares with the first."""
    first, *others = sides
    return tuple(_against(first, other) for other in others)


def _against(first: Taken, other: Taken) -> Difference:
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
    bench: Any = run.snapshot.get("bench")
    plain = bench if isinstance(bench, Mapping) else {}
    for position in plain.get("positions") or ():
        if position.get("name") == run.position:
            name = position.get("frequency")
            who = run.identities.get(name)
            spec = (plain.get("instruments") or {}).get(name) or {}
            serial = " ".join(who.who) if who is not None and who.serial else ""
            return serial, spec.get("timebase_ageing_ppm_per_year")
    return "", None


def _pairs(a: Taken, b: Taken) -> Pairs | None:
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
