"""How a long run went, in lines."""

from typing import TYPE_CHECKING, Any, Final

from benchlog.cli.figures import three_digits
from benchlog.cli.printing import counted, pairs, table
from benchlog.units import format_duration, printable

if TYPE_CHECKING:
    from benchlog.analysis.ageing import Estimate
    from benchlog.verdict.night import Night

_HOLES: Final = 20


def night_text(night: "Night") -> str:
    """Return the summary as a person reads it in the morning."""
    missing = night.missing_s
    share = missing / night.span_s * 100 if night.span_s else 0.0
    lines = [
        ("duration", f"{format_duration(night.span_s)}, {night.readings:,} readings"),
        (
            "gaps",
            f"{counted(night.gaps, 'gap')}, {format_duration(missing)} without "
            f"readings ({share:.2g} %)",
        ),
        ("causes", ", ".join(f"{k} {n}" for k, n in night.causes.items()) or "-"),
        ("drift", _estimate(night.drift, "ppm/day") or night.note or "-"),
        (
            "temperature",
            _estimate(night.temperature, "ppm/C") or night.note or "-",
        ),
        ("stability", _stability(night.stability)),
        ("steps", "; ".join(_said(event) for event in night.steps[:5]) or "none"),
        ("alarms", _alarms(night)),
    ]
    return "\n\n".join(part for part in (pairs(lines), _holes(night)) if part)


def _estimate(found: "Estimate | None", unit: str) -> str:
    if found is None:
        return ""
    return f"{found.value:+.3g} {unit} (95 %: {found.low:+.3g} to {found.high:+.3g})"


def _stability(points: tuple[tuple[float, float], ...]) -> str:
    shown = points[:: max(1, len(points) // 5)]
    said = [f"{three_digits(adev)} ppm at {format_duration(t)}" for t, adev in shown]
    return ", ".join(said) or "-"


def _alarms(night: "Night") -> str:
    if not night.alarms:
        return "none"
    said = "\n".join(_said(event) for event in night.alarms[:10])
    return f"{counted(night.alarm_count, 'alarm')}\n{said}"


def _said(event: Any) -> str:
    from benchlog.units import iso_utc

    at = (iso_utc(event.utc_ns) or "-")[11:19]
    return f"{at} UTC {event.kind}: {printable(event.text)}"


def _holes(night: "Night") -> str:
    from benchlog.units import iso_utc

    rows = [
        (
            (iso_utc(utc_ns) or "-")[:19].replace("T", " "),
            format_duration(lasted_s),
            causes,
            text,
        )
        for utc_ns, lasted_s, causes, text in night.holes[:_HOLES]
    ]
    if not rows:
        return ""
    shown = table(("gap (UTC)", "for", "cause", ""), rows)
    more = night.gaps - len(rows)
    return shown + (f"\nand {more:,} more" if more > 0 else "")
