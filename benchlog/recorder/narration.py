"""What a keeper tells, in a person's words: for terminals, logs, service managers."""

import math
from typing import TYPE_CHECKING, Final

from benchlog.model import Decision, EventKind
from benchlog.units import (
    as_stated,
    counted,
    format_duration,
    format_ppm,
    format_u_ppm,
    three_digits,
)

if TYPE_CHECKING:
    from benchlog.recorder.notice import RunNotice
    from benchlog.verdict.run.assessment import Assessment

_DIGITS: Final = 12  # our rule: what good counters resolve
_BEFORE_U_PPM: Final = 1.0  # our rule: digits shown while U is not known
_QUIET: Final = {EventKind.ENDED}  # said with the figures, a moment later


def line_of(told: "RunNotice") -> str:
    """Return one line for anything but a reading; empty when it is better left out."""
    event = told.event
    if told.kind == "waiting":
        return told.text
    if told.kind == "ended":
        return f"run {told.run_id} ended: {told.text}"
    if event is None or event.kind in _QUIET:
        return ""
    if event.kind == EventKind.STARTED:
        return f"run {told.run_id} started: {event.text}"
    return f"{event.kind}: {event.text}"


def reading_line(told: "RunNotice") -> str:
    """Return one line for the newest reading or pulse, and how things stand with it."""
    reading, a = told.reading, told.assessment
    if a is not None and told.pulse is not None:
        return _pulse_line(a)
    if reading is None or a is None:
        return ""
    ambient = "" if reading.ambient_c is None else f"  {reading.ambient_c:.1f} C"
    about = _BEFORE_U_PPM if a.u_ppm is None else a.u_ppm
    return (
        f"{a.stats.n:>6,}  {_frequency(reading.frequency_hz)} Hz  "
        f"offset {format_ppm(a.offset_ppm, about)} ppm  "
        f"U {format_u_ppm(a.u_ppm)} ppm{ambient}  {a.word}{_because(a)}"
    )


def _pulse_line(a: "Assessment") -> str:
    """Return one line for the newest pulse; how long it still takes, where known."""
    offset = format_ppm(a.offset_ppm, a.u_ppm)
    noun = "pulse " if a.stats.n == 1 else "pulses"  # lines stand in columns
    said = f"{a.stats.n:>6,} {noun}  offset {offset} ppm  U {format_u_ppm(a.u_ppm)} ppm"
    left_s = a.timing.judged_in_s if a.timing else None
    more = f", about {format_duration(math.ceil(left_s))} more" if left_s else ""
    return f"{said}  {a.word}{_because(a)}{more}"


def _frequency(hz: float) -> str:
    """Print with twelve digits, trailing zeros too: lines stand in columns."""
    whole = len(f"{int(hz)}")
    return f"{hz:,.{max(0, _DIGITS - whole)}f}"


def _because(a: "Assessment") -> str:
    """Say what the word hangs on, where it is not the offset that the line shows."""
    if (at := a.at_reference) is not None:
        offset = format_ppm(at.offset_ppm, at.u_ppm)
        return f" (at {as_stated(at.temperature_c)} C: {offset} ppm)"
    if a.outliers is not None and a.outliers.decide:
        return f" ({counted(a.outliers.n, 'outlier')} decide)"
    jitter = a.jitter
    if jitter is None or jitter.rms_ppm is None or jitter.word is not a.word:
        return ""
    if a.word is Decision.PASS:
        return ""
    limit = f"limit {as_stated(jitter.limit_ppm)} ppm"
    if jitter.moves_slowly and jitter.gate is not None:
        return f" ({three_digits(jitter.gate.ppm)} ppm between neighbours, {limit})"
    return f" (jitter {three_digits(jitter.rms_ppm)} ppm rms, {limit})"


def standing_line(told: "RunNotice") -> str:
    """Return one line on how a long run stands."""
    a = told.assessment
    if a is None:
        return ""
    offset = format_ppm(a.offset_ppm, a.u_ppm)
    what = "pulse" if a.timing is not None else "reading"
    return (
        f"run {told.run_id}: {counted(a.stats.n, what)} in "
        f"{format_duration(a.stats.span_s)}, {counted(a.stats.gaps, 'gap')}, "
        f"offset {offset} ppm +- {format_u_ppm(a.u_ppm)} ppm, {a.word}{_because(a)}"
    )
