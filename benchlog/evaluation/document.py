"""What is known of a run as plain values: the JSON that scripts rely on, made last.

Nothing is worked out from a document, no text and no exit code.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from benchlog.analysis.stats import TurnStats
from benchlog.evaluation.history_document import (
    amendments_document,
    events_document,
    orders_document,
    summary_document,
    verdicts_document,
)
from benchlog.evaluation.rack.one_run import found_figures
from benchlog.evaluation.run_evaluation import Evaluation
from benchlog.evaluation.run_history import RunHistory
from benchlog.model import Event, Purpose, Run
from benchlog.store.rows import VerdictRow
from benchlog.units import hz_of_ppm, iso_utc, seconds_per_day
from benchlog.verdict.run.assessment import Assessment
from benchlog.verdict.run.budget import COVERAGE, Budget
from benchlog.verdict.run.pulse_timing import Timing
from benchlog.verdict.run.reference_band import AtReference
from benchlog.verdict.timebase.known_timebase import is_coarse

if TYPE_CHECKING:
    from benchlog.evaluation.rack_study import QualifiedDevice


def run_document(evaluation: Evaluation) -> dict[str, Any]:
    """Return a run as `measure --json` prints it: figures, state, check kept of it."""
    why = evaluation.why_not_counted
    document = {
        **figures(evaluation),
        "run_uid": evaluation.run.uid,
        "verdict": evaluation.decision.value,
        "counts": not why,
        "does_not_count": why or None,
        "damaged": evaluation.run.damaged,
        "state": evaluation.state,
    }
    if evaluation.run.checks is not None:
        document["check"] = _kept_check(evaluation)
    return document


def figures(evaluation: Evaluation) -> dict[str, Any]:
    """Return the figures of a run, as they are kept with its verdict.

    Unknown ones are None, never NaN. `u_ppm` is the expanded uncertainty (95 %) of
    `offset_ppm`; `timebase.u_ppm` and the budget's lines are standard uncertainties.
    """
    run, assessment = evaluation.run, evaluation.assessment
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
    known: dict[str, Any] = _known({**found, **_more(evaluation)})
    return known


def _more(evaluation: Evaluation) -> dict[str, Any]:
    """Return what the contract does not name but a person wants to see."""
    run, assessment = evaluation.run, evaluation.assessment
    stats, nominal_hz = assessment.stats, run.nominal_hz
    offset = assessment.offset_ppm
    return {
        "purpose": run.purpose.value,
        "position": run.position,
        "simulated": evaluation.simulated,
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
        "turns": _turns(stats.turns),
        "timing": _timing(assessment.timing),
        "suspect": stats.n_suspect,
        "outliers": 0 if assessment.outliers is None else assessment.outliers.n,
        "settling": stats.n_settling,
        "limit_text": assessment.limit.text,
        "limit_promised": assessment.limit.promised,
        "over_temperature": assessment.limit.over_temperature,
        "at_reference": _at_reference(assessment.at_reference),
        "rests_on": None if assessment.rest is None else assessment.rest.rests_on,
        "budget": None if assessment.budget is None else _budget(assessment.budget),
        "reasons": list(evaluation.reasons),
        "device_typed": run.typed_device,
        "void": run.void,
        "judged_again": run.judged_again,
    }


def verdict_row(
    evaluation: Evaluation, rule: str, more: Mapping[str, Any] | None = None
) -> VerdictRow:
    """Return a verdict as it is kept; `more` goes with its figures."""
    assessment = evaluation.assessment
    return VerdictRow(
        word=str(assessment.word),
        offset_ppm=assessment.offset_ppm,
        u_ppm=assessment.u_ppm,
        limit_ppm=assessment.limit.ppm if assessment.limit.known else None,
        conformance=assessment.conformance,
        rule=rule,
        figures={**figures(evaluation), **(more or {})},
    )


def _kept_check(evaluation: Evaluation) -> dict[str, Any] | None:
    """Return the reference check that came of a run; None when none was kept."""
    if evaluation.kept_check is None:
        return None
    number, check = evaluation.kept_check
    return {
        "number": number,
        "offset_ppm": check.offset_ppm,
        "u_ppm": COVERAGE * check.u_ppm,
        "valid_until": iso_utc(check.valid_until_utc_ns),
        "void": check.void,
    }


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


def _at_reference(at: AtReference | None) -> dict[str, Any] | None:
    """Return the offset at the reference temperature; None where it is the same."""
    if at is None:
        return None
    return {
        "temperature_c": at.temperature_c,
        "readings": at.n,
        "outside": at.n_outside,
        "offset_ppm": at.offset_ppm,
        "u_ppm": at.u_ppm,
        "moved_ppm": at.moved_ppm,
        "law": at.law or None,
        "budget": None if at.budget is None else _budget(at.budget),
    }


def _turns(turns: TurnStats | None) -> dict[str, Any] | None:
    """Return how a counter that serves others served this device; None: it did not."""
    if turns is None:
        return None
    return {
        "turns": turns.turns,
        "gates": turns.gates,
        "spacing_s": turns.spacing_s,
        "live_share": turns.live_share,
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
        "earliest_stamps": timing.lateness is not None,
        "late_shares": _late_shares(timing, 0),
        "reference_late_shares": _late_shares(timing, 1),
        "load_changes": bool(timing.load_change),
    }


def _late_shares(timing: Timing, which: int) -> list[float] | None:
    """Return the shares of late stamps in the quarters of a run, where known."""
    late = timing.lateness[which] if timing.lateness else None
    return list(late.shares) if late else None


def _hz(ppm: float | None, nominal_hz: float) -> float | None:
    return None if ppm is None else hz_of_ppm(ppm, nominal_hz)


def _known(value: Any) -> Any:
    """Replace what JSON cannot hold (infinite, not a number) by None, all through."""
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: _known(inner) for key, inner in value.items()}
    return [_known(inner) for inner in value] if isinstance(value, list) else value


# --- with events and summary: what `show` and `soak` print ----------------------------


def whole_document(
    evaluation: Evaluation,
    history: RunHistory,
    qualified: "QualifiedDevice | None" = None,
) -> dict[str, Any]:
    """Return a run as `show --json` prints it.

    That is `run_document` with hook-up, instruments, what happened, and the summary of
    a long run. Of a run of a rack, the figures are those of what a sequence found.
    """
    run, summary = evaluation.run, _summary(evaluation)
    return {
        **run_document(evaluation),
        "bench": run.bench,
        "divider": run.divider,
        "lot": run.lot,
        "operator": run.operator or None,
        "note": run.note or None,
        "load_pf": run.load_pf,
        "supply_v": run.supply_v,
        "software": run.software,
        "instruments": _instruments(run),
        "events": events_document(history.events),
        "orders": orders_document(history.orders),
        "verdicts": verdicts_document(history.verdicts),
        "amendments": amendments_document(history.amendments),
        **({} if summary is None else {"summary": summary}),
        **({} if qualified is None else _qualified(qualified)),
    }


def _qualified(one: "QualifiedDevice") -> dict[str, Any]:
    from benchlog.evaluation.rack_study import (  # noqa: PLC0415 - for a rack alone
        known_plan,
    )

    plan = known_plan(one.run)
    found: dict[str, Any] = _known(
        {
            **found_figures(one),
            "sequence": plan.sequence,
            "qualification": plan.uid,
            "steps": len(plan.steps),
            "steps_done": one.steps_done,
            "characteristics": [asdict(line) for line in one.found],
        }
    )
    return found


def soak_document(evaluation: Evaluation, events: Iterable[Event]) -> dict[str, Any]:
    """Return a run as `soak --json` prints it: `run_document`, events, summary."""
    return {
        **run_document(evaluation),
        "events": events_document(events),
        "summary": _summary(evaluation),
    }


def _summary(evaluation: Evaluation) -> dict[str, Any] | None:
    how = evaluation.summary
    return None if how is None else summary_document(how)


def _instruments(run: Run) -> list[dict[str, Any]]:
    return [
        {
            "instrument": name,
            "identity": identity.text,
            "serial": identity.serial or None,
            "simulated": identity.simulated,
            "settings": dict(identity.settings),
        }
        for name, identity in run.identities.items()
    ]
