"""A run in words, once for command line, page and screen, made from what is known.

`run_facts` yields label and text of each fact; a style says which facts there are, how
brief they are and in which signs. Brief texts are in `brief_wording`, the verdict's in
`verdict_wording`.
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from benchlog.evaluation import brief_wording as brief
from benchlog.evaluation.run_evaluation import Evaluation
from benchlog.evaluation.verdict_wording import check_text, known, verdict_text
from benchlog.model import Purpose, Timebase
from benchlog.units import (
    as_stated,
    counted,
    format_duration,
    format_frequency,
    format_ppm,
    format_u_ppm,
    hz_of_ppm,
    iso_utc,
    printable,
    seconds_per_day,
    small_time,
    three_digits,
)
from benchlog.verdict.run.assessment import Assessment
from benchlog.verdict.run.budget import UNLIMITED
from benchlog.verdict.run.pulse_timing import Timing
from benchlog.verdict.timebase.known_timebase import is_coarse

# times the scatter at the gate: slow movement is in the rms; our rule
_SLOW: Final = 2.0


@dataclass(frozen=True, slots=True)
class Style:
    """How a run is put into words.

    Parameters
    ----------
    facts : tuple of str
        Which facts, in their order.
    brief : bool
        One line each, with signs, for a screen; else in full, in plain ASCII.
    capitals : bool
        Labels begin with a capital.
    moment : callable
        How a moment, ns since 1970, is written.

    """

    facts: tuple[str, ...]
    brief: bool = False
    capitals: bool = False
    moment: Callable[[int], str | None] = iso_utc


TERMINAL: Final = Style(
    (
        "device", "part", "offset", "at reference", "scatter", "ambient", "count",
        "limit", "time base", "verdict", "check",
    )
)  # fmt: skip
RACK: Final = Style(("device", "part", "time base"))
"""Of a run of a rack, whose readings are of many places: no mean is told of them."""
PAGE: Final = Style(
    (
        "offset", "at reference", "scatter", "limit", "ambient", "count",
        "suspect readings",
    ),
    capitals=True,
)  # fmt: skip
SCREEN_FACTS: Final = ("scatter", "time base", "ambient", "limit", "U")


def run_facts(evaluation: Evaluation, style: Style) -> Iterator[tuple[str, str]]:
    """Yield label and text of the facts that a style names and that the run has."""
    texts = _BRIEF if style.brief else _FULL
    for fact in style.facts:
        text = texts[fact](evaluation, style)
        if text:
            label = _label(fact, evaluation.assessment)
            yield label[:1].upper() + label[1:] if style.capitals else label, text


def _label(fact: str, a: Assessment) -> str:
    is_pulses = a.timing is not None
    named = {
        "at reference": f"at {as_stated(a.at_reference.temperature_c)} C"
        if a.at_reference
        else "",
        "scatter": "timing" if is_pulses else "jitter",
        "count": "pulses" if is_pulses else "readings",
    }
    return named.get(fact, fact)


# --- which run it is -----------------------------------------------------------------


def device_text(evaluation: Evaluation) -> str:
    """Return device, run and position; that it is simulated or was mistyped."""
    run = evaluation.run
    said = f"{printable(run.device)}, run {run.id}, position {run.position}"
    if evaluation.simulated:
        said += ", simulated"
    if run.typed_device:
        said += f", typed as {run.typed_device}"
    return said


def part_text(evaluation: Evaluation) -> str:
    """Return the part and its frequency; whether the run was judged again by it."""
    run = evaluation.run
    again = ", judged again" if run.judged_again else ""
    return f"{run.part.id}, {format_frequency(run.nominal_hz)}{again}"


# --- figures -------------------------------------------------------------------------


def offset_text(a: Assessment, nominal_hz: float) -> str:
    """Return the offset with its uncertainty, in ppm, Hz and seconds a day."""
    offset, u_ppm = known(a.offset_ppm), known(a.u_ppm)
    if offset is None:
        return "unknown"
    said = f"{format_ppm(offset, u_ppm)} ppm"
    if u_ppm is not None:
        said += f" +- {format_u_ppm(u_ppm)} ppm (95 %)"
    u = abs(offset) / 100 if u_ppm is None else u_ppm
    hz = format_ppm(hz_of_ppm(offset, nominal_hz), hz_of_ppm(u, nominal_hz))
    day = format_ppm(seconds_per_day(offset), seconds_per_day(u))
    return f"{said}, {hz} Hz, {day} s/day"


def at_reference_text(a: Assessment) -> str:
    """Return the offset at the reference temperature; empty where all lay in its band.

    Also empty while no reading counts for it.
    """
    at = a.at_reference
    if at is None or at.offset_ppm is None:
        return ""
    said = f"{format_ppm(at.offset_ppm, at.u_ppm)} ppm"
    if at.u_ppm is not None:
        said += f" +- {format_u_ppm(at.u_ppm)} ppm (95 %)"
    how = f"of {at.n:,} readings inside the band"
    if at.law:
        how = f"brought there by {format_ppm(at.moved_ppm, at.u_ppm)} ppm"
    return f"{said}, {how}"


def jitter_text(a: Assessment, nominal_hz: float) -> str:
    """Return the scatter about a straight line, the range all readings take, the gate.

    The range is not about the line: a drift is in it, and the words say so.
    """
    if a.timing is not None:
        return timing_text(a.timing)
    rms, pp = known(a.stats.jitter_ppm_rms), known(a.stats.jitter_ppm_pp)
    if rms is None or pp is None:
        return "unknown"
    rms_hz, pp_hz = hz_of_ppm(rms, nominal_hz), hz_of_ppm(pp, nominal_hz)
    gate_s, scatter = a.stats.gate_s, known(a.stats.scatter_ppm)
    at = f"; gate {format_duration(gate_s)}" if gate_s else ""
    if scatter is not None and rms > _SLOW * scatter:
        at = f"; {three_digits(scatter)} ppm from reading to reading{at}"
    return (
        f"{three_digits(rms)} ppm rms ({three_digits(rms_hz)} Hz) about a straight "
        "line; highest less lowest reading, drift included: "
        f"{three_digits(pp)} ppm p-p ({three_digits(pp_hz)} Hz){at}"
    )


def timing_text(timing: Timing) -> str:
    """Return the scatter of pulses about a straight line, in time."""
    if timing.rms_s is None or timing.pp_s is None:
        return f"unknown (against {timing.against})"
    return (
        f"{small_time(timing.rms_s)} rms, {small_time(timing.pp_s)} p-p about a "
        f"straight line, against {timing.against}"
    )


def ambient_text(a: Assessment) -> str:
    """Return mean and extremes of the ambient temperature."""
    stats = a.stats
    mean, low, high = stats.ambient_mean_c, stats.ambient_min_c, stats.ambient_max_c
    if mean is None:
        return "unknown"
    return f"{mean:.1f} C ({low:.1f} to {high:.1f} C)"


def count_text(evaluation: Evaluation) -> str:
    """Return how many readings in which time, gaps, and how the run ended."""
    stats = evaluation.assessment.stats
    span = f" in {format_duration(stats.span_s)}" if stats.n else ""
    gaps = counted(stats.gaps, "gap")
    turns = f", {stats.turns.turns:,} turns" if stats.turns is not None else ""
    return f"{stats.n:,}{span}{turns}, {gaps}, {_end(evaluation)}"


def _end(evaluation: Evaluation) -> str:
    """Say how the run ended; one whose keeper was killed has not, and runs no more."""
    run, state = evaluation.run, evaluation.state
    if run.ended_how:
        return run.ended_how
    if state == "broken off":
        resume = f"; `benchlog soak --resume {run.id}` goes on with it"
        is_soak = run.purpose is Purpose.SOAK
        return "broken off: its keeper is gone" + (resume if is_soak else "")
    return state or "not ended"


def limit_text(a: Assessment) -> str:
    """Return the limit and how it is made up."""
    if not a.limit.known:
        return "unknown"
    return f"+-{as_stated(a.limit.ppm)} ppm ({a.limit.text})"


def timebase_text(timebase: Timebase) -> str:
    """Return what is known of the counter's time base, the reason on a second line."""
    valid = iso_utc(timebase.valid_until_utc_ns)
    holds = "expired" if timebase.stale else "valid until"
    until = f", {holds} {valid}" if valid else ""
    offset = format_ppm(timebase.offset_ppm, timebase.u_ppm)
    u = format_u_ppm(timebase.u_ppm)
    said = f"{timebase.status}: offset {offset} ppm, u {u} ppm (standard){until}"
    if not timebase.u_ppm and timebase.text:
        return f"{timebase.status}: {timebase.text}"  # pulses: known at the ends
    return said + (f"\n{timebase.text}" if timebase.text else "")


def freedom_text(degrees: float) -> str:
    """Return degrees of freedom; unlimited ones are many."""
    return (
        "many"
        if degrees >= UNLIMITED
        else as_stated(round(degrees, 1 if degrees < 100 else 0))
    )


# --- the facts by name ---------------------------------------------------------------


def _brief_timebase(evaluation: Evaluation, style: Style) -> str:
    a = evaluation.assessment
    until = a.timebase.valid_until_utc_ns
    date = (style.moment(until) or "") if until else ""
    coarse = is_coarse(a.timebase, a.limit)
    return brief.timebase_text(a.timebase, date, coarse=coarse)


_Texts = Mapping[str, Callable[[Evaluation, Style], str]]
_FULL: Final[_Texts] = {
    "device": lambda e, _: device_text(e),
    "part": lambda e, _: part_text(e),
    "offset": lambda e, _: offset_text(e.assessment, e.run.nominal_hz),
    "at reference": lambda e, _: at_reference_text(e.assessment),
    "scatter": lambda e, _: jitter_text(e.assessment, e.run.nominal_hz),
    "ambient": lambda e, _: ambient_text(e.assessment),
    "count": lambda e, _: count_text(e),
    "limit": lambda e, _: limit_text(e.assessment),
    "time base": lambda e, _: timebase_text(e.assessment.timebase),
    "verdict": lambda e, _: verdict_text(e),
    "check": lambda e, _: check_text(e),
    "suspect readings": lambda e, _: str(e.assessment.stats.n_suspect or ""),
}
_BRIEF: Final[_Texts] = {
    "scatter": lambda e, _: brief.jitter_text(e.assessment, e.run.nominal_hz),
    "time base": _brief_timebase,
    "ambient": lambda e, _: brief.ambient_text(e.assessment),
    "limit": lambda e, _: brief.limit_kept_text(e.assessment),
    "U": lambda e, _: brief.main_share(e.assessment.budget),
}
