"""What two runs of one counter share: its time base, and one correction for it.

The time base of one counter is one, whatever was known of it when each run was judged:
both runs are corrected by what is known better, and the correction falls out of their
difference. Only where two checks contradict each other did it move in between, and
each run keeps its own.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

from benchlog.model import Timebase
from benchlog.units import (
    NS_PER_S,
    SECONDS_PER_DAY,
    format_ppm,
    format_u_ppm,
    two_digits,
)
from benchlog.verdict.run.assessment import Assessment
from benchlog.verdict.run.budget import COVERAGE, BudgetLine, timebase_line
from benchlog.verdict.run.judgement import corrected_ppm

DAY_NS: Final = SECONDS_PER_DAY * NS_PER_S
_ONE_IN_A_HUNDRED: Final = 2.576
"""Standard deviations that one normal difference in a hundred exceeds; source: tables
of the normal distribution. For checks that are not in the same database."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """One of the runs compared.

    `counter` tells counters apart (a serial number), empty where it is not known;
    `ageing_ppm_per_year` is what the bench file states of its time base.
    """

    run: int
    name: str
    assessment: Assessment
    counter: str
    started_utc_ns: int
    ageing_ppm_per_year: float | None = None


def base_of(side: Side) -> Timebase:
    """Return what a side's figures are corrected by."""
    return side.assessment.timebase


def one_base(a: Side, b: Side) -> tuple[Side, Side]:
    """Return both sides corrected by the better known time base of their one counter.

    As they are where they had different counters, or where the time base moved.
    """
    first, second = base_of(a), base_of(b)
    if not _one_counter(a, b) or shared(a, b) or _moved(first, second):
        return a, b
    better = min(first, second, key=lambda one: (bool(one.doubt), one.u_ppm))
    return _by(a, better), _by(b, better)


def shared(a: Side, b: Side) -> bool:
    """Whether both rest on the same time base: one counter, one thing known of it."""
    first, second = base_of(a), base_of(b)
    same = first.status == second.status and first.offset_ppm == second.offset_ppm
    return _one_counter(a, b) and same


def base_lines(a: Side, b: Side, sign: float) -> Iterator[BudgetLine]:
    """Yield what the time base adds to B - `sign` A."""
    bases = base_of(a), base_of(b)
    if not shared(a, b):
        for name, base in zip("AB", bases, strict=True):
            yield timebase_line(base, f"time base of {name}")
        return
    if sign < 0:
        largest = max(bases, key=lambda base: base.u_ppm)
        text = "of one counter, on both sides of nominal: counts twice"
        yield replace(timebase_line(largest), u_ppm=2.0 * largest.u_ppm, text=text)
    else:
        yield BudgetLine(
            name="time base",
            u_ppm=0.0,
            degrees_of_freedom=math.inf,
            distribution="",
            text="of one counter: cancels",
        )
    years = abs(a.started_utc_ns - b.started_utc_ns) / DAY_NS / 365.25
    ageing = a.ageing_ppm_per_year or b.ageing_ppm_per_year
    if ageing:
        u_ppm = abs(ageing) * years / math.sqrt(3.0)
        text = (
            f"up to {two_digits(abs(ageing) * years)} ppm between the runs, as stated"
        )
        yield BudgetLine(
            name="ageing of the time base",
            u_ppm=u_ppm,
            degrees_of_freedom=math.inf,
            distribution="rectangular",
            text=text,
        )


def base_notes(given: tuple[Side, Side], taken: tuple[Side, Side]) -> Iterator[str]:
    """Say by what both were corrected, where it is not what each was judged by."""
    a, b = given
    first, second = base_of(a), base_of(b)
    if _one_counter(a, b) and not shared(a, b) and _moved(first, second):
        yield (
            f"the checks that runs {a.run} and {b.run} rest on contradict each other: "
            "each keeps its own correction, which counts in the difference"
        )
    changed = [was.run for was, now in zip(given, taken, strict=True) if was is not now]
    if not changed:
        return
    better = base_of(taken[0])
    u_ppm = COVERAGE * better.u_ppm
    yield (
        "one counter measured both, so its time base falls out of their difference: "
        f"both are taken as corrected by "
        f"{format_ppm(better.offset_ppm, u_ppm)} +- {format_u_ppm(u_ppm)} ppm "
        f"({better.status}), the better known of what each was judged by. The "
        "offsets listed are as judged, so their difference may be another figure"
    )


def _one_counter(a: Side, b: Side) -> bool:
    return bool(a.counter) and a.counter == b.counter


def _moved(first: Timebase, second: Timebase) -> bool:
    """Whether two checks say different things of the time base, and either may."""
    if not first.status == second.status == "checked":
        return False
    if bool(first.doubt) != bool(second.doubt):
        return False  # one of them was wrong
    apart_ppm = abs(first.offset_ppm - second.offset_ppm)
    if first.apart_ppm and second.apart_ppm:
        return apart_ppm > COVERAGE * math.hypot(first.u_ppm, second.u_ppm)
    return apart_ppm > _ONE_IN_A_HUNDRED * math.hypot(first.u_ppm, second.u_ppm)


def _by(side: Side, base: Timebase) -> Side:
    """Return a side as if it had been corrected by another time base."""
    if base_of(side) is base:
        return side
    a = side.assessment
    read_ppm = None
    if a.offset_ppm is not None:
        was = a.timebase.offset_ppm
        read_ppm = (a.offset_ppm - was) / (1.0 + was * 1e-6)
    offset_ppm = corrected_ppm(read_ppm, base.offset_ppm)
    return replace(side, assessment=replace(a, offset_ppm=offset_ppm, timebase=base))
