"""The figures of a run in a line each, with signs, as a screen has room for them."""

import math
from typing import Final

from benchlog.model import Timebase
from benchlog.units import (
    as_stated,
    counted,
    decimals_for,
    format_duration,
    format_ppm,
    format_u_ppm,
    hz_of_ppm,
    percent,
    printable,
    seconds_per_day,
)
from benchlog.verdict.run.assessment import Assessment
from benchlog.verdict.run.budget import COVERAGE, Budget
from benchlog.verdict.run.jitter import JitterVerdict
from benchlog.verdict.run.pulse_timing import Timing
from benchlog.verdict.run.reference_band import AtReference
from benchlog.verdict.timebase.known_timebase import RATIO

UNKNOWN: Final = "-"
# definition: prefixes of the SI, and from where each is used
_SMALL_HZ: Final = (
    (1e6, 1e6, "MHz"),
    (1e3, 1e3, "kHz"),
    (0.01, 1.0, "Hz"),
    (1e-5, 1e-3, "mHz"),
    (1e-12, 1e-6, "µHz"),
)


def offset_text(a: Assessment | None) -> str:
    """Return the offset rounded to its uncertainty, without its unit."""
    return UNKNOWN if a is None else format_ppm(a.offset_ppm, a.u_ppm)


def in_hz(a: Assessment, nominal_hz: float) -> str:
    """Return the offset in Hz, or in seconds a day for a clock crystal."""
    if a.offset_ppm is None:
        return ""
    if nominal_hz < 100e3:
        u = None if a.u_ppm is None else seconds_per_day(a.u_ppm)
        return f"{format_ppm(seconds_per_day(a.offset_ppm), u)} s/day"
    u = None if a.u_ppm is None else hz_of_ppm(a.u_ppm, nominal_hz)
    return f"{format_ppm(hz_of_ppm(a.offset_ppm, nominal_hz), u)} Hz"


def jitter_text(a: Assessment | None, nominal_hz: float) -> str:
    """Return rms and peak to peak (p-p), in ppm and in Hz, at the gate in use."""
    if a is not None and a.timing is not None:
        return timing_text(a.timing)
    if a is None or a.stats.jitter_ppm_rms is None:
        return "needs at least 3 readings"
    rms, pp = a.stats.jitter_ppm_rms, a.stats.jitter_ppm_pp or 0.0
    gate = a.stats.gate_s
    at = f", gate {format_duration(gate)}" if gate else ""
    rms_hz, pp_hz = hz_of_ppm(rms, nominal_hz), hz_of_ppm(pp, nominal_hz)
    return (
        f"{plain(rms)} ppm rms, {plain(pp)} ppm p-p "
        f"({short_hz(rms_hz)}, {short_hz(pp_hz)}){at}"
    )


def timing_text(timing: Timing) -> str:
    """Return the scatter of pulses in time, and how long until they can be judged."""
    if timing.rms_s is None or timing.pp_s is None:
        return "needs at least 5 pulses"
    rms, pp = plain(timing.rms_s * 1e6), plain(timing.pp_s * 1e6)
    left = timing.judged_in_s
    more = f", judged in about {format_duration(math.ceil(left))}" if left else ""
    return f"{rms} µs rms, {pp} µs p-p{more}"


def jitter_limit_text(jitter: JitterVerdict) -> str:
    """Return how the jitter limit is kept; by what, where it is not the rms."""
    said = f"jitter {as_stated(jitter.limit_ppm)} ppm: {jitter.word}"
    if not jitter.moves_slowly or jitter.gate is None:
        return said
    return f"{said} ({plain(jitter.gate.ppm)} between neighbours)"


def ambient_text(a: Assessment | None) -> str:
    """Return mean and range of the ambient temperature, and where it comes from."""
    stats = a.stats if a else None
    if stats is None or stats.ambient_mean_c is None:
        return "not known"
    low, high = stats.ambient_min_c, stats.ambient_max_c
    text = f"{stats.ambient_mean_c:.1f} °C"
    if low is not None and high is not None and high - low >= 0.05:
        text += f" ({low:.1f} to {high:.1f})"
    if a is not None and a.at_reference is not None:
        text += f"; {at_reference_text(a.at_reference)}"
    if stats.n_typed_ambient:
        text += ", as the operator stated"
    if stats.n_ambient < stats.n:
        text += f", missing for {counted(stats.n - stats.n_ambient, 'reading')}"
    return text


def at_reference_text(at: AtReference) -> str:
    """Return the offset at the reference temperature, or which ambient is wanted."""
    if at.offset_ppm is None or at.u_ppm is None:
        low, high = at.temperature_c - at.band_c, at.temperature_c + at.band_c
        return f"wanted {as_stated(low)} to {as_stated(high)} °C"
    said = f"{format_ppm(at.offset_ppm, at.u_ppm)} ± {format_u_ppm(at.u_ppm)} ppm"
    return f"at {as_stated(at.temperature_c)} °C {said}"


def timebase_text(
    timebase: Timebase | None, date: str = "", *, coarse: bool = False
) -> str:
    """Return how the counter's time base is known; `date` is until when it holds.

    What is wrong with it comes first: `coarse` is whether it is too coarse for the
    limit.
    """
    if timebase is None:
        return "nothing known yet"
    wrong = (
        "CHECK IT AGAIN: " * timebase.stale
        + f"TOO COARSE ({as_stated(RATIO)}:1): " * coarse
    )
    if timebase.status != "checked":
        return wrong + (signs(printable(timebase.text)) or timebase.status)
    u = COVERAGE * timebase.u_ppm
    found = f"{format_ppm(timebase.offset_ppm, u)} ± {format_u_ppm(u)} ppm"
    holds = "expired" if timebase.stale else "holds until"
    until = f", {holds} {date}" if date else ""
    return f"{wrong}checked: {found}{until}"


def main_share(budget: Budget | None) -> str:
    """Say what U comes from mostly."""
    if budget is None or budget.u_ppm <= 0:
        return "not known yet" if budget is None else "nothing counted"
    largest = max(budget.lines, key=lambda line: line.u_ppm)
    share = (largest.u_ppm / budget.u_ppm) ** 2
    return f"mostly {largest.name} ({share:.0%}), k = {budget.k:.2f}".replace("%", " %")


def limit_text(a: Assessment | None) -> str:
    """Return the limit with its sign."""
    if a is None:
        return ""
    if not a.limit.known:
        return "limit unknown"
    over = " over temperature" if a.limit.over_temperature else ""
    return f"limit ±{as_stated(a.limit.ppm)} ppm{over}"


def limit_kept_text(a: Assessment) -> str:
    """Return how the limit is made up, and how the jitter limit is kept."""
    made_up = signs(printable(a.limit.text)) if a.limit.known else UNKNOWN
    if a.jitter is None:
        return made_up
    return f"{made_up}; {jitter_limit_text(a.jitter)}"


def conformance_text(a: Assessment | None) -> str:
    """Return the probability that the device is within the limit."""
    if a is None or a.conformance is None:
        return "conformance not known"
    return f"conformance {percent(a.conformance)}"


def short_hz(hz: float) -> str:
    """Print a small frequency with two significant digits."""
    for least, scale, unit in _SMALL_HZ:
        if hz >= least:
            return f"{plain(hz / scale)} {unit}"
    return "0 Hz"


def plain(value: float) -> str:
    """Print a positive number with two significant digits and no exponent."""
    return f"{value:,.{decimals_for(value)}f}" if value < 10 else f"{value:,.0f}"


def signs(text: str) -> str:
    """Write plus-minus and comparisons as signs; the words come as plain ASCII."""
    return text.replace("+-", "±").replace("<=", "≤")


def before_any(timebase: Timebase | None) -> tuple[str, ...]:
    """Return scatter, time base, ambient, limit and U before a run is gone through."""
    return (
        jitter_text(None, math.nan),
        timebase_text(timebase),
        ambient_text(None),
        UNKNOWN,
        main_share(None),
    )
