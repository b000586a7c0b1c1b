"""Is B really better than A? Differences with intervals, and their words."""

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

from benchlog.analysis.pairing import Pairs, Ratio, difference_stats
from benchlog.analysis.uncertainty import mean_uncertainty
from benchlog.units import format_ppm, format_u_ppm, interval_texts
from benchlog.verdict.run.budget import DRIFT, ROOM, Budget, BudgetLine, budget_of
from benchlog.verdict.run.steadiness import steadiness
from benchlog.verdict.timebase.common_timebase import (
    DAY_NS,
    Side,
    base_lines,
    base_notes,
    base_of,
    one_base,
    shared,
)

__all__ = ["ComparisonAnswer", "Difference", "Side", "compare", "notes_together"]

_OF_ONE_RUN: Final = ("statistics", DRIFT, ROOM)
"""Lines that readings pair by pair have in their own statistics; definition."""
_FAR_C: Final = 1.0  # our rule: less is how a room wanders


class ComparisonAnswer(StrEnum):
    """What can be said of B against A."""

    LESS = "less"
    MORE = "more"
    UNCLEAR = "unclear"


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """B against A; None stands for unknown.

    Parameters
    ----------
    delta_ppm, budget :
        Offset of B less that of A, and where its uncertainty comes from.
    farther_ppm, farther_budget :
        How much farther from nominal B is (below zero: closer).
    offset, distance, scatter : Answer
        B's offset, its distance from nominal, its scatter: less, more, or unclear.
    ratio : Ratio | None
        Scatter of B over scatter of A: Allan deviations at the gate.
    slow : tuple of int
        Runs that move slowly: which device is steadier has no word then.
    paired : bool
        Whether the readings were compared pair by pair.
    notes : tuple of str
        What a person should know of it.

    """

    a: Side
    b: Side
    delta_ppm: float | None
    budget: Budget | None
    farther_ppm: float | None
    farther_budget: Budget | None
    offset: ComparisonAnswer
    distance: ComparisonAnswer
    ratio: Ratio | None
    scatter: ComparisonAnswer
    paired: bool
    slow: tuple[int, ...] = ()
    notes: tuple[str, ...] = ()


def compare(a: Side, b: Side, pairs: Pairs | None = None) -> Difference:
    """Return how B compares with A.

    `pairs` are readings of both at the same time, where they were measured so.
    """
    given, (a, b) = (a, b), one_base(a, b)
    stats = difference_stats(pairs) if pairs is not None else None
    delta = _delta(a, b)
    if stats is not None and stats.offset_ppm is not None:
        delta = stats.offset_ppm + base_of(b).offset_ppm - base_of(a).offset_ppm
    paired_u = None if stats is None else mean_uncertainty(stats)
    own = None
    if paired_u is not None:
        freedom = paired_u.degrees_of_freedom
        own = BudgetLine(
            name="statistics",
            u_ppm=paired_u.u_ppm,
            degrees_of_freedom=freedom,
            distribution="t",
            text="pair by pair",
        )
    budget = _budget(a, b, 1.0, own)
    farther, farther_budget = _farther(a, b, own)
    scatter = steadiness(a.assessment.stats, b.assessment.stats, pairs)
    slow = ((a.run, scatter.a_slow), (b.run, scatter.b_slow))
    draft = Difference(
        a=a,
        b=b,
        delta_ppm=delta,
        budget=budget,
        farther_ppm=farther,
        farther_budget=farther_budget,
        offset=_answer(delta, budget),
        distance=_answer(farther, farther_budget),
        ratio=scatter.ratio,
        scatter=_TOLD[scatter.told],
        slow=tuple(run for run, moves in slow if moves),
        paired=own is not None,
    )
    return replace(draft, notes=(*base_notes(given, (a, b)), *_notes(draft)))


def _delta(a: Side, b: Side) -> float | None:
    first, second = a.assessment.offset_ppm, b.assessment.offset_ppm
    return None if first is None or second is None else second - first


def _farther(
    a: Side, b: Side, own: BudgetLine | None
) -> tuple[float | None, Budget | None]:
    """Return |B| - |A| with its budget; a shared time base counts by the signs."""
    first, second = a.assessment.offset_ppm, b.assessment.offset_ppm
    if first is None or second is None:
        return None, None
    sign = math.copysign(1.0, first) * math.copysign(1.0, second)
    if min(abs(first), abs(second)) <= 2.0 * max(base_of(a).u_ppm, base_of(b).u_ppm):
        sign = -1.0  # on which side of nominal they are hangs on the time base
    budget = _budget(a, b, sign, own if sign > 0 else None)
    return abs(second) - abs(first), budget


def _budget(a: Side, b: Side, sign: float, own: BudgetLine | None) -> Budget | None:
    """Return the budget of B - `sign` A; `own` is the statistics pair by pair."""
    first, second = a.assessment.budget, b.assessment.budget
    if first is None or second is None:
        return None
    lines = list(base_lines(a, b, sign))
    for name, one, budget in (("A", a, first), ("B", b, second)):
        for line in budget.lines:
            is_base = line.name == "time base"
            if is_base or (own is not None and line.name in _OF_ONE_RUN):
                continue
            text = f"run {one.run}: {line.text}"
            lines.append(replace(line, name=f"{line.name} of {name}", text=text))
    return budget_of([*lines, *([own] if own is not None else [])])


def _answer(value: float | None, budget: Budget | None) -> ComparisonAnswer:
    if value is None or budget is None or abs(value) <= budget.expanded_ppm:
        return ComparisonAnswer.UNCLEAR
    return ComparisonAnswer.MORE if value > 0 else ComparisonAnswer.LESS


# definition: of `Steadiness.told`
_TOLD: Final = {
    -1: ComparisonAnswer.LESS,
    0: ComparisonAnswer.UNCLEAR,
    1: ComparisonAnswer.MORE,
}


def _notes(found: Difference) -> Iterator[str]:
    a, b = found.a, found.b
    if found.paired:
        yield "measured at the same time: compared pair by pair"
    first, second = a.assessment.stats, b.assessment.stats
    if first.ambient_mean_c is not None and second.ambient_mean_c is not None:
        apart = second.ambient_mean_c - first.ambient_mean_c
        if abs(apart) > _FAR_C:
            yield f"ambient differed by {apart:+.1f} C: that may be part of it"
    else:
        yield "ambient is not known of both: temperature may be part of it"
    yield from map(_slow_text, found.slow)
    if found.ratio is None:
        yield "scatter not compared: other gates, or too little of it"
    days = abs(a.started_utc_ns - b.started_utc_ns) / DAY_NS
    stated = a.ageing_ppm_per_year or b.ageing_ppm_per_year
    if shared(a, b) and days > 1 and not stated:
        yield (
            f"{days:.0f} days apart: what the counter's time base moved in between is "
            "not counted, as the bench file states no ageing"
        )
    if first.simulated or second.simulated:
        yield "simulated data"


def _slow_text(run: int) -> str:
    return (
        f"run {run} moves slowly: which device is steadier depends on the "
        "averaging time, see `benchlog stability`"
    )


def notes_together(found: Sequence[Difference]) -> Iterator[str]:
    """Yield the notes of several differences, each once.

    One that is not of all of them, and names no run itself, says of which it is.
    """
    pairs: dict[str, list[str]] = {}
    for one in found:
        for note in one.notes:
            pairs.setdefault(note, []).append(f"{one.b.run} - {one.a.run}")
    for note, of in pairs.items():
        is_told = len(of) == len(found) or re.search(r"\bruns? \d", note)
        yield note if is_told else f"runs {', '.join(of)}: {note}"


# --- a difference between two runs in words

_SAID: Final = {
    "offset": {
        ComparisonAnswer.LESS: "runs slower",
        ComparisonAnswer.MORE: "runs faster",
    },
    "distance": {
        ComparisonAnswer.LESS: "is closer to nominal",
        ComparisonAnswer.MORE: "is farther from nominal",
    },
    "scatter": {
        ComparisonAnswer.LESS: "is steadier",
        ComparisonAnswer.MORE: "is less steady",
    },
}
_UNCLEAR: Final = {
    "offset": "no difference in offset can be told",
    "distance": "which is closer to nominal cannot be told",
    "scatter": "which is steadier cannot be told",
}


def in_words(found: Difference) -> tuple[str, ...]:
    """Return what can be said of B against A, a sentence each."""
    said = []
    for name, answer in (
        ("offset", found.offset),
        ("distance", found.distance),
        ("scatter", found.scatter),
    ):
        if answer is ComparisonAnswer.UNCLEAR:
            said.append(_UNCLEAR[name])
        else:
            said.append(f"run {found.b.run} {_SAID[name][answer]}")
    return tuple(said)


def delta_text(value: float | None, budget: Budget | None) -> str:
    """Return a difference with its expanded uncertainty."""
    if value is None:
        return "unknown"
    u = None if budget is None else budget.expanded_ppm
    return f"{format_ppm(value, u)} +- {format_u_ppm(u)} ppm"


def ratio_text(one: Difference) -> str:
    """Return the ratio of scatters with its interval."""
    ratio = one.ratio
    if ratio is None:
        return "-"
    value, low, high = interval_texts(ratio.value, ratio.low, ratio.high, signed=False)
    return f"{value} ({low} to {high})"
