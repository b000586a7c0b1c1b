"""All that is known of a lot in one piece."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from benchlog.model import (
    Decision,
    Lot,
    LotRun,
    Part,
)
from benchlog.verdict.lot.lot_decision import (
    DeviceResult,
    LotDecision,
    LotFigures,
    UndecidedRule,
    decide_lot,
    lot_figures,
)
from benchlog.verdict.lot.lot_runs import counts, held_runs, results_of
from benchlog.verdict.lot.sampling_plan import Plan
from benchlog.verdict.run.limit import limit_for


@dataclass(frozen=True, slots=True, kw_only=True)
class LotReport:
    """A lot with its plan, devices, decision and figures.

    `runs` are all of them, in order, also those that do not count; `limit_ppm` is what
    most devices were held against; `u_common_ppm` is the expanded uncertainty that all
    devices share.
    """

    lot: Lot
    part: Part
    plan: Plan
    runs: tuple[LotRun, ...]
    results: tuple[DeviceResult, ...]
    standing: LotDecision
    figures: LotFigures
    limit_ppm: float
    u_common_ppm: float = 0.0

    @property
    def held(self) -> tuple[LotRun, ...]:
        """The runs that do not count until a person has answered, the oldest first."""
        return held_runs(self.runs)

    @property
    def doubtful(self) -> tuple[tuple[DeviceResult, str], ...]:
        """Devices to look at again, each with why."""
        found = []
        damaged = {run.device for run in self.runs if run.damaged and counts(run)}
        times = Counter(run.device for run in self.runs if counts(run))
        for index, result in enumerate(self.results):
            why = []
            if result.word is Decision.UNDECIDED:
                why.append("undecided: too near the limit, or not measured enough")
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
    plan: Plan,
    rule: UndecidedRule,
    u_common_ppm: float = 0.0,
) -> LotReport:
    """Return the report of a lot that was opened with `plan`.

    `u_common_ppm` is the expanded uncertainty of the time base, which all share.
    """
    results = results_of(runs)
    limit_ppm = _limit(part, [run for run in runs if counts(run)])
    return LotReport(
        lot=lot,
        part=part,
        plan=plan,
        runs=tuple(runs),
        results=results,
        standing=decide_lot(plan, results, rule),
        figures=lot_figures(results, limit_ppm, part.load, u_common_ppm),
        limit_ppm=limit_ppm,
        u_common_ppm=u_common_ppm,
    )


def _limit(part: Part, runs: Sequence[LotRun]) -> float:
    known = Counter(run.limit_ppm for run in runs if run.limit_ppm is not None)
    return known.most_common(1)[0][0] if known else limit_for(part, None).ppm
