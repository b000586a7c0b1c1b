"""Why a verdict is what it is, in plain words: from readings, and from pulses."""

import math
from collections.abc import Iterator
from typing import Final

from benchlog.analysis.outliers import AROUND, SCORE
from benchlog.analysis.pulses.slope import FEWEST
from benchlog.analysis.pulses.train import PulseCounts
from benchlog.analysis.stats import RunStats, TurnStats
from benchlog.model import Decision, Part
from benchlog.units import (
    as_stated,
    format_duration,
    format_ppm,
    format_u_ppm,
    three_digits,
)
from benchlog.verdict.run.assessment import Assessment, Outliers
from benchlog.verdict.run.budget import COVERAGE, DRIFT, ROOM
from benchlog.verdict.run.decision import word_for
from benchlog.verdict.run.gross_error import other_part
from benchlog.verdict.run.measuring_advice import advise
from benchlog.verdict.run.pulse_timing import Timing
from benchlog.verdict.timebase.known_timebase import RATIO, is_coarse, timebase_reasons

_LARGE: Final = 0.3  # our rule: less changes U by 5 %
NO_LIMIT: Final = "no limit is known for this part: there is nothing to judge it by"


def mostly_suspect(stats: RunStats) -> bool:
    """Whether most readings lie near a simple multiple of nominal."""
    return stats.n > 0 and 2 * _near_multiples(stats) > stats.n


def _near_multiples(stats: RunStats) -> int:
    return stats.n_suspect - stats.n_far


def reasons_for(a: Assessment) -> Iterator[str]:
    """Yield the reasons, the most telling first."""
    stats = a.stats
    if a.doubt_of_counter:
        yield a.doubt
    if other := other_part_of(a):
        yield other
    if mostly_suspect(stats):
        yield (
            f"{_near_multiples(stats)} of {stats.n} readings lie near a simple "
            "multiple of nominal: check divider / trigger level"
        )
    elif _near_multiples(stats):
        yield (
            f"{_near_multiples(stats)} of {stats.n} readings are suspect (near a "
            "simple multiple of nominal) and are counted"
        )
    if stats.n_far:
        yield (
            f"{stats.n_far} of {stats.n} readings are suspect (no device of the part "
            "is so far off) and are counted"
        )
    if a.outliers is not None:
        yield from _outliers(a.outliers, stats)
    alone = _jitter_fails_alone(a)
    if a.jitter is not None and alone:
        yield a.jitter.text
    if a.offset_ppm is None or a.budget is None:
        yield _too_few(stats)
    elif not a.limit.known:
        yield NO_LIMIT
    else:
        yield from decision_reasons(a)
    if a.jitter is not None and not alone:
        yield a.jitter.text
    if a.limit.known:
        yield from a.limit.reasons
    yield from _rests_on(a)


def _jitter_fails_alone(a: Assessment) -> bool:
    """Whether the jitter fails and the offset does not: what decides is told first."""
    failed = a.jitter is not None and a.jitter.word is Decision.FAIL
    return failed and a.conformance is not None and a.conformance > 0.5


def repeats_text(repeats: int) -> str:
    """Say that a counter repeats itself, and what to look for."""
    return (
        f"the counter repeats itself: the same value {repeats:,} times in a row, more "
        "than chance allows. Does it measure anew for each reading? Nothing is judged "
        "until that is clear"
    )


def rushed_text(rushed: int, stats: RunStats) -> str:
    """Say that values come faster than their gate allows, and what to look for."""
    gate = "" if stats.gate_s is None else f" of {as_stated(stats.gate_s)} s"
    return (
        f"values came faster than their gate{gate} allows, before {rushed:,} of "
        f"{stats.n:,} readings, and were refused: is each measured anew, and is gate_s "
        "the counter's gate? Nothing is judged until that is clear"
    )


def other_part_of(a: Assessment) -> str:
    """Return what it may be where no device of the part can be so far off."""
    if a.offset_ppm is None:
        return ""
    return other_part(a.offset_ppm, a.nominal_hz, a.limit.ppm, a.divider)


def _rests_on(a: Assessment) -> Iterator[str]:
    """Yield what the figures rest on, where a person should know of it."""
    stats = a.stats
    yield from timebase_reasons(a.timebase, a.limit)
    if a.rest is not None and a.rest.departure:
        yield a.rest.departure
    yield from _drift(a)
    yield from _gate(a)
    if stats.gaps:
        yield (
            f"{stats.gaps:,} gap{'' if stats.gaps == 1 else 's'}, where readings are "
            "missing: U is judged from averages with at least half of their readings"
        )
    if stats.turns is not None:
        yield _turns_text(stats.turns)
    if stats.n_typed_ambient:
        yield "ambient temperature is what the operator stated"
    if stats.n_settling:
        s = "" if stats.n_settling == 1 else "s"
        yield f"{stats.n_settling} settling reading{s} stored, not used"
    if stats.simulated:
        yield "simulated data"


def _turns_text(turns: TurnStats) -> str:
    """Say what part of the time the device was measured, and what follows for U."""
    share = as_stated(100 * turns.live_share, 3)
    return (
        f"measured in turns: {turns.gates} readings every "
        f"{format_duration(turns.spacing_s)}, {share} % of the time; U is judged "
        "from the means of turns, with the dead time between them"
    )


def _outliers(found: Outliers, stats: RunStats) -> Iterator[str]:
    if found.n > stats.n_suspect:
        yield (
            f"{found.n} of {stats.n} readings are outliers (suspect, or further than "
            f"{as_stated(SCORE)} times the scatter and {as_stated(found.floor_ppm)} "
            "ppm from the "
            f"median of the {AROUND} readings around them) and are counted"
        )
    if found.decide:
        rest = found.without
        jitter = rest.stats.jitter_ppm_rms
        said = "" if jitter is None else f", jitter {three_digits(jitter)} ppm rms"
        offset = format_ppm(rest.offset_ppm, rest.u_ppm)
        yield (
            f"the verdict depends on the outliers: with them {found.with_them}, "
            f"without them {rest.word} (offset {offset} +- "
            f"{format_u_ppm(rest.u_ppm)} ppm{said}); find out what caused them"
        )


def _too_few(stats: RunStats) -> str:
    if stats.n < 2:
        count = "no reading" if stats.n == 0 else "1 reading"
        return f"{count} so far: at least 2 are needed to tell how they scatter"
    return (
        f"{stats.n} readings and no two of them follow each other: nothing can be "
        "said of how they scatter"
    )


def decision_reasons(a: Assessment) -> Iterator[str]:
    """Say how what is judged lies against the limit, and at which temperature."""
    at = a.at_reference
    if at is None:
        yield comparison(a)
        return
    where = f"{at.n_outside:,} of {a.stats.n:,} readings were taken outside"
    if a.timing is not None:
        where = "ambient was outside"
    low, high = at.temperature_c - at.band_c, at.temperature_c + at.band_c
    where += f" {as_stated(low)} to {as_stated(high)} C"
    unknown = "where no temperature law of the part is known"
    if at.offset_ppm is None or at.u_ppm is None:
        yield (
            f"{where}, {unknown}: measure between {as_stated(low)} and "
            f"{as_stated(high)} C, or ask with "
            "--over-temperature whether it keeps tolerance and stability together"
        )
    elif at.law:
        yield comparison(a)
        yield f"{where} and brought to {as_stated(at.temperature_c)} C: {at.law}"
    else:
        yield comparison(a)
        yield f"{where}, {unknown}: they are left out of the verdict"


def comparison(a: Assessment) -> str:
    """Say how offset and uncertainty lie against the limit; both are known."""
    offset_ppm, u_ppm = a.judged
    said = f"offset {format_ppm(offset_ppm, u_ppm)} +- {format_u_ppm(u_ppm)} ppm"
    if a.at_reference is not None:
        said += f" at {as_stated(a.at_reference.temperature_c)} C"
    limit = f"+-{as_stated(a.limit.ppm)} ppm ({a.limit.text})"
    assert offset_ppm is not None and u_ppm is not None
    match word_for(offset_ppm, u_ppm, a.limit.ppm):
        case Decision.PASS:
            return f"{said} lies within {limit}, uncertainty included"
        case Decision.FAIL:
            return f"{said} lies outside {limit}, even with the uncertainty"
        case _:
            return f"{said} overlaps the limit {limit}: too near to tell"


def _drift(a: Assessment) -> Iterator[str]:
    """Say that it drifts, or the room moves, where that is a large part of U."""
    budget = a.judged_budget
    if budget is None:
        return
    for line in budget.lines:
        if line.name == DRIFT and line.u_ppm > _LARGE * budget.u_ppm:
            yield (
                f"the frequency drifts, {line.text}; U allows for as much drift again "
                "as in this run"
            )
        if line.name == ROOM and line.u_ppm > _LARGE * budget.u_ppm:
            yield f"{line.text}; U allows for twice that until the next such run"


def _gate(a: Assessment) -> Iterator[str]:
    """Say when the gate is too short to read the limit well, and which would do."""
    gate_s, budget = a.stats.gate_s, a.budget
    if budget is None or not a.limit.known or not gate_s:
        return
    advice = advise(a.limit.ppm, a.digit_ppm or 0.0, gate_s, None)
    if advice.gate_s is None:
        yield f"this counter cannot read +-{as_stated(a.limit.ppm)} ppm to a tenth"
    elif advice.gate_s > gate_s * 1.001:
        yield (
            f"a gate of {format_duration(gate_s)} is short for "
            f"+-{as_stated(a.limit.ppm)} "
            f"ppm: {format_duration(advice.gate_s)} reads it to a tenth"
        )


# --- why a verdict from pulses is what it is, in plain words


def pulse_reasons(a: "Assessment", part: Part) -> Iterator[str]:
    """Yield the reasons, the most telling first."""
    timing = a.timing
    assert timing is not None
    if said := a.doubt or other_part_of(a):
        yield said
    if a.offset_ppm is None or a.budget is None:
        yield _too_few_pulses(timing)
    elif not a.limit.known:
        yield NO_LIMIT
    elif not a.doubt:
        yield from decision_reasons(a)
    if not a.doubt:
        yield from _when(a, timing)
    if timing.load_change:
        yield timing.load_change
    yield from _faults("", timing.counts, timing.set_aside)
    if timing.reference is not None:
        yield from _faults("reference: ", timing.reference, timing.reference_set_aside)
    if part.limits.jitter_ppm is not None:
        yield "the part's jitter limit is for gated readings and was not judged"
    yield from a.limit.reasons
    if a.timebase.status == "assumed":
        yield f"time {a.timebase.text}"
    if is_coarse(a.timebase, a.limit):
        known = format_u_ppm(COVERAGE * a.timebase.u_ppm)
        yield (
            f"{timing.against}, known to +-{known} ppm, is coarser "
            f"than {as_stated(RATIO)}:1 for a limit of +-{as_stated(a.limit.ppm)} ppm"
        )
    if a.stats.n_typed_ambient:
        yield "ambient temperature is what the operator stated"
    if a.stats.simulated:
        yield "simulated data"


def _too_few_pulses(timing: "Timing") -> str:
    ours, theirs = timing.counts.good, timing.reference
    said = f"{ours} good pulses of the device"
    if theirs is not None:
        said += f" and {theirs.good} of the reference"
    return f"{said} so far: at least {FEWEST} are needed"


def _when(a: "Assessment", timing: "Timing") -> Iterator[str]:
    if a.word is not Decision.UNDECIDED or a.budget is None or not a.limit.known:
        return
    if timing.judged_in_s is not None:
        left = format_duration(math.ceil(timing.judged_in_s))
        yield f"about {left} more until it can be judged"
    elif not timing.by_itself:
        yield (
            f"{timing.against} is not known well enough to judge this, however long "
            "the run: use a better reference"
        )


def _faults(whose: str, counts: PulseCounts, set_aside: int) -> Iterator[str]:
    named = {
        "missed": counts.missed,
        "doubled": counts.doubled,
        "bouncing": counts.bounced,
        "early": counts.early,
        "late": counts.late,
        "too far from the line": set_aside,
    }
    said = [f"{number} {name}" for name, number in named.items() if number]
    if said:
        yield f"{whose}pulses set aside or absent: {', '.join(said)}"
    if counts.no_fix:
        yield f"{whose}{counts.no_fix} pulses without a fix do not count"
    if counts.unseen:
        yield f"{whose}{counts.unseen} pulses were counted by the line and not stamped"
    if counts.blocks > 1:
        lost = counts.blocks - 1
        often = "once" if lost == 1 else f"{lost} times"
        yield f"{whose}phase was lost {often}, and not counted across"
