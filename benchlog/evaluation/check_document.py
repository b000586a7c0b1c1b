"""Checks of a bench as plain values: the JSON that scripts rely on, made last."""

from collections.abc import Sequence
from typing import Any

from benchlog.evaluation.reference_finding import StandardPoint, Weighed
from benchlog.model import ReferenceCheck, Run
from benchlog.units import iso_utc
from benchlog.verdict.timebase.control_chart import ControlChart
from benchlog.verdict.timebase.governing_check import CheckComparison
from benchlog.verdict.timebase.reference_check import Finding


def check_document(
    check: ReferenceCheck, finding: Finding, weighed: Weighed
) -> dict[str, Any]:
    """Return a check as plain values for JSON; `u_ppm` is U with 95 %."""
    drift = finding.drift
    return {
        "offset_ppm": finding.offset_ppm,
        "u_ppm": finding.budget.expanded_ppm,
        "pulses": finding.pulses,
        "missed": finding.missed,
        "valid_until": iso_utc(check.valid_until_utc_ns) if weighed.kept else None,
        "set_aside": finding.set_aside,
        "span_s": finding.span_s,
        "method": finding.method,
        "instrument": check.instrument.text,
        "serial": check.instrument.serial,
        "run": check.run_id,
        "kept": weighed.kept,
        "in_use": weighed.in_use,
        "older": _older(weighed.beside),
        "reasons": list(weighed.refusals),
        "warnings": list(weighed.warnings),
        "notes": list(weighed.told),
        "drift": None
        if drift is None
        else {
            "ppm_per_h": drift.ppm_per_h,
            "u_ppm_per_h": drift.u_ppm_per_h,
            "allowed_ppm_per_h": drift.allowed,
            "allowed_by": drift.limit.text,
        },
        "k": finding.budget.k,
        "budget": [
            {"name": line.name, "u_ppm": line.u_ppm, "text": line.text}
            for line in finding.budget.lines
        ],
        "simulated": check.instrument.simulated,
    }


def _older(beside: CheckComparison | None) -> dict[str, Any] | None:
    if beside is None:
        return None
    older = beside.older
    return {
        "run": older.run_id,
        "utc": iso_utc(older.at_utc_ns),
        "offset_ppm": older.offset_ppm,
        "u_ppm": beside.older_u_ppm,
        "allowed_ppm": beside.allowed_ppm,
        "agrees": beside.agrees,
        "text": beside.text,
    }


def standard_document(
    run: Run, history: Sequence[StandardPoint], chart: ControlChart
) -> dict[str, Any]:
    """Return a check standard with its control chart, as `refcheck --json` prints it.

    `history` ends with the run.
    """
    newest = history[-1]
    return {
        "standard": run.device,
        "run": run.id,
        "part": run.part.id,
        "offset_ppm": newest.offset_ppm,
        "u_ppm": newest.u_ppm,
        "centre_ppm": chart.centre,
        "sigma_ppm": chart.sigma,
        "low_ppm": chart.low,
        "high_ppm": chart.high,
        "moved": chart.moved,
        "reasons": list(chart.reasons),
        "history": [
            {
                "run": point.run,
                "utc": iso_utc(point.utc_ns),
                "offset_ppm": point.offset_ppm,
                "u_ppm": point.u_ppm,
            }
            for point in history
        ],
        "simulated": run.simulated,
    }
