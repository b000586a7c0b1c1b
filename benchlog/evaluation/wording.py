"""Figures of a run in words, from the plain values that `verdict.figures` gives."""

from collections.abc import Mapping
from typing import Any, Final

from benchlog.units import (
    format_duration,
    format_ppm,
    format_u_ppm,
    hz_of_ppm,
    seconds_per_day,
    three_digits,
)
from benchlog.verdict.budget import UNLIMITED

__all__ = [
    "Document",
    "ambient_text",
    "freedom_text",
    "jitter_text",
    "limit_text",
    "offset_text",
    "percent",
    "readings_text",
    "three_digits",
    "timebase_text",
]
Document = Mapping[str, Any]
_SLOW: Final = 2.0  # times the scatter at the gate: slow movement is in the rms


def offset_text(document: Document) -> str:
    """Return the offset with its uncertainty, in ppm, Hz and seconds a day."""
    offset, u_ppm = document["offset_ppm"], document["u_ppm"]
    if offset is None:
        return "unknown"
    said = f"{format_ppm(offset, u_ppm)} ppm"
    if u_ppm is not None:
        said += f" +- {format_u_ppm(u_ppm)} ppm (95 %)"
    u = abs(offset) / 100 if u_ppm is None else u_ppm
    nominal_hz = document["nominal_hz"]
    hz = format_ppm(hz_of_ppm(offset, nominal_hz), hz_of_ppm(u, nominal_hz))
    day = format_ppm(seconds_per_day(offset), seconds_per_day(u))
    return f"{said}, {hz} Hz, {day} s/day"


def jitter_text(document: Document) -> str:
    """Return the scatter about a straight line, the range all readings take, the gate.

    The range is not about the line: a drift is in it, and the words say so.
    """
    if document.get("timing"):
        return timing_text(document["timing"])
    rms, pp = document["jitter_ppm_rms"], document["jitter_ppm_pp"]
    if rms is None or pp is None:
        return "unknown"
    hz = document["jitter_hz_rms"], document["jitter_hz_pp"]
    gate = document["gate_s"]
    at = f"; gate {format_duration(gate)}" if gate else ""
    scatter = document.get("scatter_ppm_gate")
    if scatter is not None and rms > _SLOW * scatter:
        at = f"; {three_digits(scatter)} ppm from reading to reading{at}"
    return (
        f"{three_digits(rms)} ppm rms ({three_digits(hz[0])} Hz) about a straight "
        "line; highest less lowest reading, drift included: "
        f"{three_digits(pp)} ppm p-p ({three_digits(hz[1])} Hz){at}"
    )


def timing_text(timing: Document) -> str:
    """Return the scatter of pulses about a straight line, in time."""
    if timing["rms_s"] is None:
        return f"unknown (against {timing['against']})"
    return (
        f"{small_time(timing['rms_s'])} rms, {small_time(timing['pp_s'])} p-p about a "
        f"straight line, against {timing['against']}"
    )


def small_time(seconds: float) -> str:
    """Print a small time with three significant digits: `52.3 us`."""
    for scale, unit in ((1.0, "s"), (1e-3, "ms"), (1e-6, "us"), (1e-9, "ns")):
        if seconds >= scale:
            return f"{three_digits(seconds / scale)} {unit}"
    return "0 s" if seconds == 0 else f"{seconds:.3g} s"


def ambient_text(document: Document) -> str:
    """Return mean and extremes of the ambient temperature."""
    ambient = document["ambient_c"]
    mean, low, high = ambient["mean"], ambient["min"], ambient["max"]
    if mean is None:
        return "unknown"
    return f"{mean:.1f} C ({low:.1f} to {high:.1f} C)"


def readings_text(document: Document) -> str:
    """Return how many readings in which time, gaps, and how the run ended."""
    count, gaps = document["readings"], document["gaps"]
    span = f" in {format_duration(document['span_s'])}" if count else ""
    return f"{count:,}{span}, {gaps:,} gap{'' if gaps == 1 else 's'}, {_end(document)}"


def _end(document: Document) -> str:
    """Say how the run ended; one whose keeper was killed has not, and runs no more."""
    if document["ended_how"]:
        return str(document["ended_how"])
    if document.get("state") == "broken off":
        resume = f"; `benchlog soak --resume {document['run']}` goes on with it"
        soak = document.get("purpose") == "soak"
        return "broken off: its keeper is gone" + (resume if soak else "")
    return str(document.get("state", "not ended"))


def limit_text(document: Document) -> str:
    """Return the limit and how it is made up."""
    if document["limit_ppm"] is None:
        return "unknown"
    return f"+-{document['limit_ppm']:,.10g} ppm ({document['limit_text']})"


def timebase_text(timebase: Document) -> str:
    """Return what is known of the counter's time base, the reason on a second line."""
    until = (
        f", valid until {timebase['valid_until']}" if timebase["valid_until"] else ""
    )
    offset = format_ppm(timebase["offset_ppm"], timebase["u_ppm"])
    u = format_u_ppm(timebase["u_ppm"])
    said = f"{timebase['status']}: offset {offset} ppm, u {u} ppm (standard){until}"
    if not timebase["u_ppm"] and timebase["text"]:
        return f"{timebase['status']}: {timebase['text']}"  # pulses: known at the ends
    return said + (f"\n{timebase['text']}" if timebase["text"] else "")


def freedom_text(degrees: float | None) -> str:
    """Return degrees of freedom; unlimited ones are many."""
    return "many" if degrees is None or degrees >= UNLIMITED else f"{degrees:.3g}"


def percent(probability: float) -> str:
    """Return a probability; what is nearly certain never reads as 0 or 100 %."""
    if probability > 0.9999:
        return "> 99.99 %"
    return "< 0.01 %" if probability < 0.0001 else f"{probability * 100:.2f} %"
