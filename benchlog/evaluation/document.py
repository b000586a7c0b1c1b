"""One run's figures as plain values, the keys that scripts rely on."""

import math
from dataclasses import asdict
from typing import Any

from benchlog.model import Purpose, Run
from benchlog.units import hz_of_ppm, iso_utc, seconds_per_day
from benchlog.verdict.assessment import Assessment
from benchlog.verdict.budget import Budget
from benchlog.verdict.reasons import NO_LIMIT
from benchlog.verdict.timebase import is_coarse
from benchlog.verdict.timing import Timing


def figures(run: Run, assessment: Assessment) -> dict[str, Any]:
    """Return the figures of a run for JSON; unknown ones are None, never NaN.

    `u_ppm` is the expanded uncertainty (95 %) of `offset_ppm`; `timebase.u_ppm` and
    the budget's lines are standard uncertainties. Raises nothing.
    """
    stats = assessment.stats
    found = {
        "run": run.id,
        "device": run.device,
        "part": run.part.id,
        "nominal_hz": run.nominal_hz,
        "readings": stats.n,
        "gaps": stats.gaps,
        "offset_ppm": assessment.offset_ppm,
        "u_ppm": assessment.u_ppm,
        "jitter_ppm_rms": stats.jitter_ppm_rms,
        "jitter_ppm_pp": stats.jitter_ppm_pp,
        "ambient_c": {
            "mean": stats.ambient_mean_c,
            "min": stats.ambient_min_c,
            "max": stats.ambient_max_c,
        },
        "limit_ppm": assessment.limit.ppm,
        "verdict": assessment.word.value,
        "conformance": assessment.conformance,
        "timebase": _timebase(assessment),
    }
    known: dict[str, Any] = _known({**found, **_more(run, assessment)})
    return known


def _more(run: Run, assessment: Assessment) -> dict[str, Any]:
    """Return what the contract does not name but a person wants to see."""
    stats, nominal_hz = assessment.stats, run.nominal_hz
    offset = assessment.offset_ppm
    return {
        "purpose": run.purpose.value,
        "position": run.position,
        "simulated": run.simulated or stats.simulated,
        **_when(run, assessment),
        "ended_how": run.ended_how,
        "mean_hz": None if offset is None else nominal_hz * (1 + offset * 1e-6),
        "seconds_per_day": None if offset is None else seconds_per_day(offset),
        "jitter_hz_rms": _hz(stats.jitter_ppm_rms, nominal_hz),
        "jitter_hz_pp": _hz(stats.jitter_ppm_pp, nominal_hz),
        "scatter_ppm_gate": stats.scatter_ppm,
        "jitter_limit_ppm": run.part.limits.jitter_ppm,
        "gate_s": stats.gate_s,
        "span_s": stats.span_s,
        "timing": _timing(assessment.timing),
        "suspect": stats.n_suspect,
        "outliers": 0 if assessment.outliers is None else assessment.outliers.n,
        "settling": stats.n_settling,
        "limit_text": assessment.limit.text,
        "limit_promised": assessment.limit.promised,
        "budget": None if assessment.budget is None else _budget(assessment.budget),
        "reasons": reasons_of(run, assessment),
        "device_typed": run.typed_device,
        "void": run.void,
        "judged_again": run.judged_again,
    }


def run_checks(run: Run) -> str:
    """Return the instrument whose time base a run checks; empty when it is no check."""
    checked = run.snapshot.get("checks")
    return checked if isinstance(checked, str) else ""


def reasons_of(run: Run, assessment: Assessment) -> list[str]:
    """Return why the verdict is what it is; a check of a time base judges nothing."""
    checked = run_checks(run)
    if not checked:
        return list(assessment.reasons)
    said = f"no device is judged: the time base of {checked!r} was checked by this run"
    return [said, *(why for why in assessment.reasons if why != NO_LIMIT)]


def _when(run: Run, assessment: Assessment) -> dict[str, Any]:
    """Say when the run was; of an import, what its file says, or its readings."""
    stats, imported = assessment.stats, run.purpose is Purpose.IMPORT
    by_readings = imported and not run.exported
    read = stats.first_utc_ns, stats.last_utc_ns
    began, ended = read if by_readings else run.made_utc_ns
    return {
        "started": iso_utc(began),
        "ended": iso_utc(ended),
        "imported": iso_utc(run.started_utc_ns) if imported else None,
    }


def _budget(budget: Budget) -> dict[str, Any]:
    return {
        "u_ppm": budget.u_ppm,
        "degrees_of_freedom": budget.degrees_of_freedom,
        "k": budget.k,
        "lines": [
            {
                "name": line.name,
                "u_ppm": line.u_ppm,
                "degrees_of_freedom": line.degrees_of_freedom,
                "distribution": line.distribution,
                "text": line.text,
            }
            for line in budget.lines
        ],
    }


def _timebase(assessment: Assessment) -> dict[str, Any]:
    timebase = assessment.timebase
    return {
        "status": timebase.status,
        "offset_ppm": timebase.offset_ppm,
        "u_ppm": timebase.u_ppm,
        "valid_until": iso_utc(timebase.valid_until_utc_ns),
        "text": timebase.text,
        "stale": timebase.stale,
        "doubt": timebase.doubt or None,
        "coarse": is_coarse(timebase, assessment.limit),
    }


def _timing(timing: Timing | None) -> dict[str, Any] | None:
    """Return the figures of a run of pulses; None for a run of readings."""
    if timing is None:
        return None
    return {
        "against": timing.against,
        "pulses": timing.counts.good - timing.set_aside,
        "set_aside": timing.set_aside,
        "reference_set_aside": timing.reference_set_aside,
        "rms_s": timing.rms_s,
        "pp_s": timing.pp_s,
        "judged_in_s": timing.judged_in_s,
        "device": asdict(timing.counts),
        "reference": asdict(timing.reference) if timing.reference else None,
    }


def _hz(ppm: float | None, nominal_hz: float) -> float | None:
    return None if ppm is None else hz_of_ppm(ppm, nominal_hz)


def _known(value: Any) -> Any:
    """Replace what JSON cannot hold (infinite, not a number) by None, all through."""
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: _known(inner) for key, inner in value.items()}
    return [_known(inner) for inner in value] if isinstance(value, list) else value
