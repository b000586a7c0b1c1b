"""How a long run went, in a person's words: for the terminal, pages and screens."""

from typing import Final

from benchlog.analysis.fitting.ageing import Estimate
from benchlog.model import Event
from benchlog.units import (
    decimals_for,
    format_duration,
    interval_texts,
    iso_utc,
    printable,
    two_digits,
)
from benchlog.verdict.soak.soak_summary import SoakSummary

# _ALARMS, _STEPS, _TAUS: our rule: a person reads no more of each.
_ALARMS: Final = 10
_STEPS: Final = 5
_TAUS: Final = 5
_OTHER_WAY: Final = (
    "`benchlog ageing` goes by the law of the part's kind and takes steps off, so its "
    "figure may be another"
)
"""Why two commands tell two drifts: this one is fed while the run goes on."""
_WORDS: Final = {
    "gap": "keeper away or held up",
    "asleep": "computer asleep",
    "frozen": "keeper frozen",
    "fault": "fault of the keeper",
    "lost": "connection lost",
    "silent": "instrument silent",
    "hung": "driver hung",
    "crashed": "driver crashed",
    "unknown": "cause not known",
}
"""Kinds of event whose own names do not say what was the matter."""


def summary_facts(summary: SoakSummary) -> list[tuple[str, str]]:
    """Return label and text of each line; texts may have several lines."""
    share = summary.missing_s / summary.span_s * 100 if summary.span_s else 0.0
    gaps = "1 gap" if summary.gaps == 1 else f"{summary.gaps:,} gaps"
    causes = ", ".join(f"{n} x {_cause(kinds)}" for kinds, n in summary.causes.items())
    what = "pulses" if summary.pulses else "readings"
    lost = (
        [("lost", "\n".join(map(event_line, summary.unkept)))] if summary.unkept else []
    )
    lost += [("reference", _reference(summary))] if summary.reference else []
    beside = ", ".join(f"{kind} {n}" for kind, n in summary.beside.items())
    return [
        ("duration", f"{format_duration(summary.span_s)}, {summary.readings:,} {what}"),
        (
            "gaps",
            f"{gaps}, {format_duration(summary.missing_s)} without {what} "
            f"({two_digits(share)} %)",
        ),
        ("causes", causes or "none"),
        *lost,
        ("drift", _drift(summary)),
        ("temperature", _temperature(summary)),
        *_ambient(summary),
        ("stability", _stability(summary.stability)),
        ("steps", "\n".join(map(event_line, summary.steps[:_STEPS])) or "none"),
        ("alarms", _alarms(summary)),
        *([("beside", beside)] if beside else []),
    ]


def _drift(summary: SoakSummary) -> str:
    """Say what the drift is of, since `ageing` answers another question."""
    said = _estimate(summary.drift, "ppm/day")
    if said and summary.temperature is not None:
        return f"{said}, what ambient did taken out by a straight line; {_OTHER_WAY}"
    return said or summary.note or "-"


def _temperature(summary: SoakSummary) -> str:
    """Say over which range the slope is the mean one."""
    said = _estimate(summary.temperature, "ppm/C")
    if said and summary.temperature_c is not None:
        low, high = summary.temperature_c
        return f"{said}, mean slope from {low:.1f} to {high:.1f} C"
    return said or summary.note or "-"


def _ambient(summary: SoakSummary) -> list[tuple[str, str]]:
    away_s = summary.without_ambient_s
    if not away_s:
        return []
    return [("ambient", f"{format_duration(away_s)} of readings without a value")]


def hole_rows(summary: SoakSummary, most: int) -> list[tuple[str, str, str, str]]:
    """Return when, how long, cause and what was said of the first gaps."""
    return [
        (
            (iso_utc(utc_ns) or "-")[:19].replace("T", " "),
            format_duration(lasted_s),
            _cause(kinds),
            text,
        )
        for utc_ns, lasted_s, kinds, text in summary.holes[:most]
    ]


def _cause(kinds: str) -> str:
    """Return kinds of event, joined by +, as a cause in words."""
    named = (_WORDS.get(kind, kind.replace("-", " ")) for kind in kinds.split("+"))
    return " and ".join(named)


def event_line(event: Event) -> str:
    """Return an event on one line, safe to print."""
    at = (iso_utc(event.utc_ns) or "-")[11:19]
    return f"{at} UTC {event.kind}: {printable(event.text)}"


def _estimate(found: Estimate | None, unit: str) -> str:
    if found is None:
        return ""
    value, low, high = interval_texts(found.value, found.low, found.high)
    return f"{value} {unit} (95 %: {low} to {high})"


def _stability(points: tuple[tuple[float, float], ...]) -> str:
    shown = points[:: max(1, -(-len(points) // _TAUS))]
    said = [f"{_three(adev)} ppm at {format_duration(t)}" for t, adev in shown]
    return "Allan deviation " + ", ".join(said) if said else "-"


def _three(value: float) -> str:
    return f"{value:,.{decimals_for(abs(value) / 10)}f}" if value else "0"


def _reference(summary: SoakSummary) -> str:
    times = len(summary.reference)
    said = "lost once" if times == 1 else f"lost {times} times"
    lines = [event_line(event) for event in summary.reference[:_ALARMS]]
    return "\n".join([said, *lines])


def _alarms(summary: SoakSummary) -> str:
    if not summary.alarms:
        return "none"
    lines = [event_line(event) for event in summary.alarms[:_ALARMS]]
    more = summary.alarm_count - _ALARMS
    return "\n".join([*lines, *([f"{more} more raised"] if more > 0 else [])])
