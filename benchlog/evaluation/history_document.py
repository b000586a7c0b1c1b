"""What happened in a run, and how a long one went, as plain values for JSON."""

from collections.abc import Iterable
from typing import Any

from benchlog.analysis.fitting.ageing import Estimate
from benchlog.model import Condition, Event
from benchlog.store.rows import Amendment, VerdictRow
from benchlog.units import iso_utc
from benchlog.verdict.soak.soak_summary import SoakSummary


def events_document(events: Iterable[Event]) -> list[dict[str, Any]]:
    """Return what happened in a run."""
    return [
        {"utc": iso_utc(event.utc_ns), "kind": event.kind, "text": event.text}
        for event in events
    ]


def orders_document(orders: Iterable[Condition]) -> list[dict[str, Any]]:
    """Return what setters were told, and what was read back of them."""
    return [
        {
            "utc": iso_utc(one.utc_ns),
            "quantity": one.quantity,
            "value": one.value,
            "unit": one.unit,
            "instrument": one.instrument,
        }
        for one in orders
    ]


def verdicts_document(verdicts: Iterable[VerdictRow]) -> list[dict[str, Any]]:
    """Return the verdicts that were kept of a run, in their order."""
    return [
        {
            "utc": iso_utc(one.at_utc_ns),
            "verdict": one.word,
            "offset_ppm": one.offset_ppm,
            "u_ppm": one.u_ppm,
            "limit_ppm": one.limit_ppm,
            "rule": one.rule,
        }
        for one in verdicts
    ]


def amendments_document(amendments: Iterable[Amendment]) -> list[dict[str, Any]]:
    """Return what was said of a run later: corrections, and that it is void."""
    return [
        {
            "utc": iso_utc(one.at_utc_ns),
            "kind": one.kind,
            "old": one.old,
            "new": one.new,
            "reason": one.reason,
            "operator": one.operator or None,
        }
        for one in amendments
    ]


def summary_document(found: SoakSummary) -> dict[str, Any]:
    """Return how a long run went."""
    return {
        "span_s": found.span_s,
        "missing_s": found.missing_s,
        "readings": found.readings,
        "gaps": found.gaps,
        "causes": found.causes,
        "holes": [
            {
                "utc": iso_utc(utc_ns),
                "lasted_s": lasted,
                "causes": why,
                "text": text,
            }
            for utc_ns, lasted, why, text in found.holes
        ],
        "drift_ppm_per_day": _plain(found.drift),
        "temperature_ppm_per_c": _plain(found.temperature),
        "temperature_range_c": found.temperature_c and list(found.temperature_c),
        "without_ambient_s": found.without_ambient_s,
        "note": found.note or None,
        "stability": [
            {"tau_s": tau_s, "adev_ppm": adev} for tau_s, adev in found.stability
        ],
        "alarms": events_document(found.alarms),
        "steps": events_document(found.steps),
        "reference_lost": events_document(found.reference),
        "readings_lost": events_document(found.unkept),
        "other_events": found.beside,
    }


def _plain(found: Estimate | None) -> dict[str, float] | None:
    if found is None:
        return None
    return {"value": found.value, "low": found.low, "high": found.high}
