"""What is known of a counter's own time base, and what that makes uncertain."""

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Final

from benchlog.model import InstrumentSpec, ReferenceCheck, Timebase
from benchlog.units import (
    NS_PER_S,
    SECONDS_PER_DAY,
    as_stated,
    format_duration,
    format_u_ppm,
    three_digits,
)
from benchlog.verdict.run.budget import COVERAGE
from benchlog.verdict.run.limit import Limit

ASSUMED_PPM: Final = 1.0  # our rule: what a built-in crystal roughly keeps, once set
"""Half-width taken for a time base nobody has said anything about."""

RATIO: Final = 4.0
"""How much finer than the limit a time base should be known (4:1, common practice)."""
USUAL_AGEING_PPM_PER_YEAR: Final = 1.0
"""Taken for a time base whose check has expired, where no ageing is stated and its
checks tell none: a crystal without an oven (common practice, no source)."""
_YEAR_NS: Final = 365.25 * SECONDS_PER_DAY * NS_PER_S  # definition: the Julian year
_ROOT_3: Final = math.sqrt(3.0)  # source: JCGM 100:2008, 4.3.7, rectangular


UNCORRECTED: Final = Timebase(
    status="stated",
    offset_ppm=0.0,
    u_ppm=0.0,
    valid_until_utc_ns=None,
    text="not corrected: the time base itself is what is checked",
)
"""What a run that checks a time base takes it for."""


def timebase_for(
    spec: InstrumentSpec,
    check: ReferenceCheck | None,
    at_utc_ns: int,
    without: str = "never checked",
    learnt_ppm_per_year: float | None = None,
) -> Timebase:
    """Return the correction and standard uncertainty of an instrument's time base.

    A reference check comes first (`u_ppm` of a check is a standard uncertainty; the
    ageing stated in the bench file since then is added, rectangular), then the bench
    file's `timebase_ppm`, then +-1 ppm. Half widths are rectangular: u = a/sqrt(3),
    JCGM 100:2008, 4.3.7. `without` is what is said where there is no check.

    A check that has expired keeps its offset; its U grows with its age, by the ageing
    that is stated, else by what earlier checks tell (`learnt_ppm_per_year`), else by
    the usual one. What the bench file states is taken instead only where that is
    finer and agrees with the check.
    """
    if check is None or check.at_utc_ns > at_utc_ns:
        return _without_check(spec, without)
    if at_utc_ns <= check.valid_until_utc_ns:
        return _checked(spec, check, at_utc_ns)
    grown = _expired(spec, check, at_utc_ns, learnt_ppm_per_year)
    if stated_u_ppm(spec) < grown.u_ppm and states_as_much(spec, check):
        aside = "which the last reference check, expired by now, agrees with"
        return replace(_without_check(spec, aside), stale=True)
    return grown


def _without_check(spec: InstrumentSpec, aside: str) -> Timebase:
    """Return what the bench file states, else what is assumed."""
    if spec.timebase_ppm is None:
        return assumed_timebase(aside)
    if spec.timebase_ppm == 0.0:  # of a file that was read before it was refused
        return assumed_timebase(f"timebase_ppm = 0 is no promise, {aside}")
    half = abs(spec.timebase_ppm)
    return Timebase(
        status="stated",
        offset_ppm=0.0,
        u_ppm=half / _ROOT_3,
        valid_until_utc_ns=None,
        text=f"stated +-{as_stated(half)} ppm in the bench file, {aside}",
    )


def states_as_much(spec: InstrumentSpec | None, check: ReferenceCheck) -> bool:
    """Whether what the bench file states agrees with a check, within both U."""
    allowed = math.hypot(COVERAGE * stated_u_ppm(spec), COVERAGE * check.u_ppm)
    return abs(check.offset_ppm) <= allowed


def _expired(
    spec: InstrumentSpec,
    check: ReferenceCheck,
    at_utc_ns: int,
    learnt_ppm_per_year: float | None,
) -> Timebase:
    """Return the offset that a check found, with a U that has grown since."""
    stated = spec.timebase_ageing_ppm_per_year
    if stated is not None:
        rate, whose = abs(stated), "the ageing that is stated"
    elif learnt_ppm_per_year is not None:
        rate, whose = learnt_ppm_per_year, "what its checks tell of its ageing"
    else:
        rate, whose = USUAL_AGEING_PPM_PER_YEAR, "the usual ageing, none is stated"
    years = (at_utc_ns - check.at_utc_ns) / _YEAR_NS
    return Timebase(
        status="checked",
        offset_ppm=check.offset_ppm,
        u_ppm=math.hypot(check.u_ppm, rate * years / _ROOT_3),
        valid_until_utc_ns=check.valid_until_utc_ns,
        text=(
            f"checked {_age(check, at_utc_ns)} before ({check.method}); the check has "
            f"expired: U grown by {whose}, {three_digits(rate)} ppm a year"
        ),
        stale=True,
    )


def stated_u_ppm(spec: InstrumentSpec | None) -> float:
    """Return the standard uncertainty that the bench file states; infinite if none."""
    stated = spec.timebase_ppm if spec is not None else None
    return abs(stated) / _ROOT_3 if stated else math.inf


def aged_u_ppm(
    spec: InstrumentSpec | None, check: ReferenceCheck, at_utc_ns: int
) -> float:
    """Return the standard uncertainty of a check at a time, its ageing added.

    The ageing that the bench file states is rectangular over the time between.
    """
    return math.hypot(check.u_ppm, _aged_ppm(spec, check, at_utc_ns) / _ROOT_3)


def timebase_by(
    spec: InstrumentSpec | None, check: ReferenceCheck, at_utc_ns: int
) -> Timebase:
    """Return the time base at `at_utc_ns` by a check made before or after it.

    A check says nothing of how the time base moved in between: the ageing that the
    bench file states is added, rectangular, over the time between. Where none is
    stated, `text` says that nothing was added.
    """
    ageing = spec.timebase_ageing_ppm_per_year if spec is not None else None
    when = "before" if at_utc_ns >= check.at_utc_ns else "after"
    text = f"checked {_age(check, at_utc_ns)} {when} the run ({check.method})"
    if ageing is None:
        text += ", no ageing stated: none added for the time between"
    else:
        aged = _aged_ppm(spec, check, at_utc_ns)
        text += f", ageing in between up to {three_digits(aged)} ppm"
    if not check.at_utc_ns <= at_utc_ns <= check.valid_until_utc_ns:
        text += "; outside the time for which that check holds"
    u_ppm = aged_u_ppm(spec, check, at_utc_ns)
    valid_until = check.valid_until_utc_ns
    return Timebase(
        status="checked",
        offset_ppm=check.offset_ppm,
        u_ppm=u_ppm,
        valid_until_utc_ns=valid_until,
        text=text,
    )


def assumed_timebase(aside: str = "") -> Timebase:
    """Return what is taken when nothing is known: +-1 ppm, rectangular."""
    aside = f", {aside}" if aside else ""
    text = f"assumed +-{as_stated(ASSUMED_PPM)} ppm: nothing is stated{aside}"
    return Timebase(
        status="assumed",
        offset_ppm=0.0,
        u_ppm=ASSUMED_PPM / _ROOT_3,
        valid_until_utc_ns=None,
        text=text,
    )


def _age(check: ReferenceCheck, at_utc_ns: int) -> str:
    """Return the time between a check and a moment, as a person says it."""
    return format_duration(abs(at_utc_ns - check.at_utc_ns) / NS_PER_S)


def _aged_ppm(
    spec: InstrumentSpec | None, check: ReferenceCheck, at_utc_ns: int
) -> float:
    """Return by how much a time base may have aged since (or until) its check."""
    ageing = spec.timebase_ageing_ppm_per_year if spec is not None else None
    return abs(ageing or 0.0) * abs(at_utc_ns - check.at_utc_ns) / _YEAR_NS


def _checked(spec: InstrumentSpec, check: ReferenceCheck, at_utc_ns: int) -> Timebase:
    text = f"checked {_age(check, at_utc_ns)} before ({check.method})"
    if spec.timebase_ageing_ppm_per_year is not None:
        aged = _aged_ppm(spec, check, at_utc_ns)
        text += f", ageing since then up to {three_digits(aged)} ppm"
    return Timebase(
        status="checked",
        offset_ppm=check.offset_ppm,
        u_ppm=aged_u_ppm(spec, check, at_utc_ns),
        valid_until_utc_ns=check.valid_until_utc_ns,
        text=text,
    )


def is_coarse(timebase: Timebase, limit: Limit) -> bool:
    """Whether U of the time base is more than a quarter of the limit."""
    return limit.known and RATIO * COVERAGE * timebase.u_ppm > limit.ppm


def timebase_reasons(timebase: Timebase, limit: Limit) -> Iterator[str]:
    """Say what a person should know of the time base that a figure rests on."""
    if timebase.status == "assumed":
        half = as_stated(float(f"{_ROOT_3 * timebase.u_ppm:.2g}"))
        yield f"time base {timebase.text or f'assumed +-{half} ppm'}"
    elif timebase.stale:
        yield "the last time-base check has expired: repeat it with refcheck"
    if timebase.doubt:
        yield timebase.doubt
    if is_coarse(timebase, limit):
        known = format_u_ppm(COVERAGE * timebase.u_ppm)
        yield (
            f"time base known to +-{known} ppm, coarser than "
            f"{as_stated(RATIO)}:1 for a limit of +-{as_stated(limit.ppm)} ppm: "
            "check it with refcheck"
        )
