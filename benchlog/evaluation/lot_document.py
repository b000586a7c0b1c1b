"""Lots and the devices of lots as plain values: JSON for scripts, made last."""

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from benchlog.evaluation.lot_plan import plan_document
from benchlog.units import iso_utc
from benchlog.verdict.lot.capability import Interval, at_most
from benchlog.verdict.lot.chips import ChipSpread
from benchlog.verdict.lot.lot_decision import DeviceResult, LotDecision, LotFigures
from benchlog.verdict.lot.lot_report import LotReport
from benchlog.verdict.lot.sampling_plan import Plan, characteristic


def lot_document(report: LotReport) -> dict[str, Any]:
    """Return the report as plain values: the keys that scripts rely on, and more."""
    standing = report.standing
    return {
        "lot": report.lot.lot,
        "part": report.part.id,
        "supplier": report.lot.supplier or None,
        "order": report.lot.order or None,
        "plan": None if report.plan is None else _plan(report.plan),
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
        "held": [
            {"device": run.device, "run": run.run, "why": run.held}
            for run in report.held
        ],
        "not_counted": [
            {
                "device": run.device,
                "run": run.run,
                "ended_how": run.ended_how,
                "does_not_count": why,
            }
            for run, why in report.not_counted
        ],
    }


def _plan(plan: Plan) -> dict[str, Any]:
    points = characteristic(plan)
    return {
        **plan_document(plan),
        "accepted_at_aql": points.at_aql,
        "fraction_accepted_95": points.p95,
        "fraction_accepted_50": points.p50,
        "fraction_accepted_10": points.p10,
    }


def _device(report: LotReport, result: DeviceResult) -> dict[str, Any]:
    own = [run for run in report.runs if run.device == result.device and run.counts]
    return {
        "device": result.device,
        "run": result.run,
        "run_uid": result.uid or None,
        "verdict": result.word.value,
        "offset_ppm": result.offset_ppm,
        "u_ppm": result.u_ppm,
        "readings": own[-1].readings,
        "position": result.position,
        "measured": iso_utc(result.at_utc_ns),
        "ambient_c": result.ambient_c,
        "damaged": own[-1].damaged,
        "doubt": result.doubt or None,
        "runs": [run.run for run in own],
    }


def _figures(figures: LotFigures, standing: LotDecision) -> Mapping[str, Any]:
    able, decided = figures.capability, standing.passed + standing.failed
    bins = figures.histogram
    return {
        "mean_ppm": _interval(able.mean_ppm if able else None),
        "sd_ppm": _interval(able.sd_ppm if able else None),
        "cp": _interval(able.cp if able else None),
        "cpk": _interval(able.cpk if able else None),
        "fraction_defective": _interval(figures.fraction),
        "fraction_at_most": at_most(standing.failed, decided) if decided else None,
        "histogram": None
        if bins is None
        else {"edges_ppm": list(bins.edges_ppm), "counts": list(bins.counts)},
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


def chips_document(lot: str, found: ChipSpread) -> dict[str, Any]:
    """Return the devices of a lot beside each other, as `chips --json` prints them."""
    return {
        "lot": lot,
        "devices": found.n,
        "shift_ppm": found.shift_ppm,
        "shift_interval_ppm": [found.low_ppm, found.high_ppm],
        "u_common_ppm": found.u_common_ppm,
        "sd_ppm": found.sd_ppm,
        "ranking": [asdict(chip) for chip in found.ranking],
    }
