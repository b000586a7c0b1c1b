"""All that is known of a lot in one piece, and as plain values for scripts."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from benchlog.model import (
    Decision,
    Lot,
    LotRun,
    Part,
)
from benchlog.units import iso_utc
from benchlog.verdict.lot.capability import Interval, at_most
from benchlog.verdict.lot.lot_decision import (
    DeviceResult,
    LotDecision,
    LotFigures,
    UndecidedRule,
    decide_lot,
    lot_figures,
    plan_document,
)
from benchlog.verdict.lot.lot_runs import counts, plan_from, results_of
from benchlog.verdict.lot.sampling_plan import Plan, characteristic
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


def lot_report(
    lot: Lot, part: Part, runs: Sequence[LotRun], u_common_ppm: float = 0.0
) -> LotReport:
    """Return the report of a lot that was opened with a plan.

    `u_common_ppm` is the expanded uncertainty of the time base, which all share. Raises
    DataError when the lot has no plan that can be read.
    """
    plan = plan_from(lot.plan or {})
    rule = UndecidedRule(str((lot.plan or {}).get("undecided", UndecidedRule.OPEN)))
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


def lot_document(report: LotReport) -> dict[str, Any]:
    """Return the report as plain values: the keys that scripts rely on, and more."""
    standing, points = report.standing, characteristic(report.plan)
    return {
        "lot": report.lot.lot,
        "part": report.part.id,
        "supplier": report.lot.supplier or None,
        "plan": {
            **plan_document(report.plan),
            "accepted_at_aql": points.at_aql,
            "fraction_accepted_95": points.p95,
            "fraction_accepted_50": points.p50,
            "fraction_accepted_10": points.p10,
        },
        "devices": [_device(report, result) for result in report.results],
        "passed": standing.passed,
        "failed": standing.failed,
        "undecided": standing.undecided,
        "remaining": standing.remaining,
        "decision": standing.decision.value,
        "simulated": any(run.simulated for run in report.runs),
        "reason": standing.text,
        "undecided_rule": standing.rule.value,
        "normal_inspection_again": standing.normal_again,
        "limit_ppm": report.limit_ppm,
        "u_common_ppm": report.u_common_ppm,
        "figures": _figures(report.figures, standing),
        "doubtful": [
            {"device": result.device, "run": result.run, "why": why}
            for result, why in report.doubtful
        ],
        "not_counted": [
            {"device": run.device, "run": run.run, "ended_how": run.ended_how}
            for run in report.runs
            if not counts(run)
        ],
    }


def _device(report: LotReport, result: DeviceResult) -> dict[str, Any]:
    own = [run for run in report.runs if run.device == result.device and counts(run)]
    return {
        "device": result.device,
        "run": result.run,
        "verdict": result.word.value,
        "offset_ppm": result.offset_ppm,
        "u_ppm": result.u_ppm,
        "readings": own[-1].readings,
        "position": result.position,
        "measured": iso_utc(result.at_utc_ns),
        "ambient_c": result.ambient_c,
        "damaged": own[-1].damaged,
        "runs": [run.run for run in own],
    }


def _figures(figures: LotFigures, standing: LotDecision) -> Mapping[str, Any]:
    able, decided = figures.capability, standing.passed + standing.failed
    return {
        "mean_ppm": _interval(able.mean_ppm if able else None),
        "sd_ppm": _interval(able.sd_ppm if able else None),
        "cp": _interval(able.cp if able else None),
        "cpk": _interval(able.cpk if able else None),
        "fraction_defective": _interval(figures.fraction),
        "fraction_at_most": at_most(standing.failed, decided) if decided else None,
        "histogram": None
        if figures.histogram is None
        else {
            "edges_ppm": list(figures.histogram.edges_ppm),
            "counts": list(figures.histogram.counts),
        },
        "drift": None if figures.drift is None else figures.drift.text,
        "groups": None
        if figures.groups is None
        else {
            "split_ppm": figures.groups.split_ppm,
            "low": {"n": figures.groups.low_n, "mean_ppm": figures.groups.low_mean_ppm},
            "high": {
                "n": figures.groups.high_n,
                "mean_ppm": figures.groups.high_mean_ppm,
            },
        },
        "positions_apart": None
        if figures.apart is None
        else {
            "low": asdict(figures.apart.low),
            "high": asdict(figures.apart.high),
            "probability": figures.apart.probability,
            "text": figures.apart.text,
        },
        "failures_in_a_row": [
            {"first": row.first, "length": row.length, "probability": row.probability}
            for row in figures.failures_in_a_row
        ],
        "load_help": None if figures.load is None else figures.load.text,
    }


def _interval(found: Interval | None) -> dict[str, float] | None:
    if found is None:
        return None
    return {"value": found.value, "low": found.low, "high": found.high}
