"""All that is known of a lot in one piece."""

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from benchlog.model import (
    Decision,
    Lot,
    LotRun,
    Part,
)
from benchlog.model.counting import replaced_text
from benchlog.verdict.lot.device_exchange import not_exchanged
from benchlog.verdict.lot.lot_decision import (
    DeviceResult,
    LotDecision,
    LotFigures,
    UndecidedRule,
    decide_lot,
    lot_figures,
    undecided_lot,
)
from benchlog.verdict.lot.lot_runs import (
    ROUNDING,
    held_runs,
    results_of,
    tightest_ppm,
    word_of,
)
from benchlog.verdict.lot.sampling_plan import Plan
from benchlog.verdict.run.limit import limit_for


@dataclass(frozen=True, slots=True, kw_only=True)
class LotReport:
    """A lot with its plan, devices, decision and figures.

    `plan` is None where devices were measured under its name and none was made.
    `runs` are all of them, in order, also those that do not count; `limit_ppm` is what
    most devices were held against; `u_common_ppm` is the expanded uncertainty that all
    devices share; `base_doubts` what speaks by now against the reference check that a
    run was corrected by, by the run's number; `codes` the trim code of each run, where
    a lot is trimmed on a screen; `begun` the runs that were begun in this database, in
    that order, where somebody sits at one; `tightest_ppm` the smallest tolerance that a
    device was judged by: a lot has one.
    """

    lot: Lot
    part: Part
    plan: Plan | None
    runs: tuple[LotRun, ...]
    results: tuple[DeviceResult, ...]
    standing: LotDecision
    figures: LotFigures
    limit_ppm: float
    u_common_ppm: float = 0.0
    base_doubts: Mapping[int, str] = field(default_factory=dict)
    codes: Mapping[int, int] = field(default_factory=dict)
    begun: tuple[LotRun, ...] = ()
    tightest_ppm: float = math.inf

    def word_of(self, run: LotRun) -> Decision:
        """Return the verdict of one of its runs as the lot takes it."""
        return word_of(run, self.tightest_ppm)

    def why_not(self, run: LotRun) -> str:
        """Return why a run does not count for the lot; empty where it counts."""
        if why := run.why_not_counted:
            return why
        newest = next(one for one in self.results if one.device == run.device)
        if (newest.run, newest.uid) == (run.run, run.uid):
            return ""
        given_way = run.is_disturbed and not newest.marked
        return replaced_text(newest.run, given_way=given_way)

    @property
    def not_counted(self) -> tuple[tuple[LotRun, str], ...]:
        """The runs that do not count, in order, each with why."""
        told = ((run, self.why_not(run)) for run in self.runs)
        return tuple((run, why) for run, why in told if why)

    @property
    def held(self) -> tuple[LotRun, ...]:
        """The runs that do not count until a person has answered, the oldest first."""
        return held_runs(self.runs)

    @property
    def doubted_bases(self) -> tuple[int, ...]:
        """The runs that count and were corrected by a check that is in doubt by now."""
        return tuple(one.run for one in self.results if one.run in self.base_doubts)

    @property
    def doubtful(self) -> tuple[tuple[DeviceResult, str], ...]:
        """Devices to look at again, each with why."""
        found = []
        damaged = {run.device for run in self.runs if run.damaged and run.counts}
        times = Counter(run.device for run in self.runs if run.counts)
        same = not_exchanged(
            self.results, self.part.limits.tolerance_ppm, self.u_common_ppm
        )
        for index, result in enumerate(self.results):
            told = same.get((result.run, result.uid))
            why = [] if told is None else [told]
            if result.doubt:
                why.append(result.doubt)
            elif result.word is Decision.UNDECIDED:
                why.append("undecided: too near the limit, or not measured enough")
            if result.run in self.base_doubts:
                why.append(self.base_doubts[result.run])
            if result.marked:
                why.append("marked while it was measured: not in the spread")
            if result.device in damaged:
                why.append("damaged")
            if index in self.figures.odd:
                why.append("does not belong to the rest (modified z-score above 3.5)")
            if times[result.device] > 1:
                why.append(f"measured {times[result.device]} times, the newest counts")
            if why:
                found.append((result, "; ".join(why)))
        return tuple(found)


def judged_lot(
    lot: Lot,
    part: Part,
    runs: Sequence[LotRun],
    *,
    plan: Plan | None,
    rule: UndecidedRule,
    u_common_ppm: float = 0.0,
) -> LotReport:
    """Return the report of a lot that was opened with `plan`, or without one.

    `u_common_ppm` is the expanded uncertainty of the time base, which all share.
    """
    results = results_of(runs)
    limit_ppm = _limit(part, [run for run in runs if run.counts])
    return LotReport(
        lot=lot,
        part=part,
        plan=plan,
        runs=tuple(runs),
        results=results,
        standing=undecided_lot(results, rule)
        if plan is None
        else decide_lot(plan, results, rule),
        figures=lot_figures(results, limit_ppm, part.load, u_common_ppm),
        limit_ppm=limit_ppm,
        u_common_ppm=u_common_ppm,
        tightest_ppm=tightest_ppm(runs),
    )


def _limit(part: Part, runs: Sequence[LotRun]) -> float:
    at_most = tightest_ppm(runs) * (1.0 + ROUNDING)
    own = [r for r in runs if not r.judged_as and (r.tolerance_ppm or 0.0) <= at_most]
    known = Counter(run.limit_ppm for run in own if run.limit_ppm is not None)
    return known.most_common(1)[0][0] if known else limit_for(part, None).ppm
