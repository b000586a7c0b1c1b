"""What is known by now of the reference check that a run was corrected by.

A run keeps the correction it was judged with. Whether the check behind it has since
been voided, or contradicts another, is worked out whenever the run is looked at.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any, Final

from benchlog.model import InstrumentSpec, ReferenceCheck, Run, Timebase
from benchlog.units import format_ppm, format_u_ppm, iso_utc
from benchlog.verdict.checks import Beside, Standing, beside, standing_at
from benchlog.verdict.timebase import timebase_for

_COVERAGE: Final = 2.0
VOIDED: Final = "corrected by a check that has since been voided"


def timebase_now(
    spec: InstrumentSpec, checks: Sequence[ReferenceCheck], at_utc_ns: int
) -> Timebase:
    """Return what corrects a run begun at a time, with what speaks against it.

    `checks` are those of the instrument that were not voided, the newest last.
    """
    known = [one for one in checks if one.at_utc_ns <= at_utc_ns]
    standing = standing_at(spec, known, at_utc_ns)
    ruler = standing.ruler(at_utc_ns)
    if ruler is not None:
        doubt = contradiction(spec, ruler, known)
        return replace(timebase_for(spec, ruler, at_utc_ns), doubt=doubt)
    if not standing.checks:  # one that holds no more: that it does not is said
        newest = known[-1] if known else None
        return timebase_for(spec, newest, at_utc_ns)
    coarse = standing.checks[-1]
    said = (
        f"stated +-{abs(spec.timebase_ppm or 0.0):g} ppm in the bench file; the check "
        f"of {iso_utc(coarse.at_utc_ns)} (+- {format_u_ppm(_COVERAGE * coarse.u_ppm)} "
        "ppm) agrees and is too coarse to replace it"
    )
    return replace(timebase_for(spec, None, at_utc_ns), text=said)


def check_behind(run: Run, checks: Iterable[ReferenceCheck]) -> ReferenceCheck | None:
    """Return which of `checks`, voided ones too, the run's time base rests on."""
    base = run.timebase
    if base is None or base.status != "checked":
        return None
    serials = {one.serial for one in run.identities.values() if one.serial}
    rests = (base.offset_ppm, base.valid_until_utc_ns)
    held = (
        one
        for one in checks
        if one.instrument.serial in serials
        and (one.offset_ppm, one.valid_until_utc_ns) == rests
    )
    return next(held, None)


def as_known(run: Run, checks: Iterable[ReferenceCheck]) -> Run:
    """Return the run with what now speaks against its check (`timebase.doubt`).

    `checks` are all that the database has, voided ones too, the newest last. The
    correction stays as it was.
    """
    known = list(checks)
    held = check_behind(run, known)
    if held is None or run.timebase is None:
        return run
    doubt = _doubt(run, held, known)
    return replace(run, timebase=replace(run.timebase, doubt=doubt))


def counter_of(run: Run, serial: str) -> InstrumentSpec | None:
    """Return what a run's bench says of the time base of a serial number."""
    bench: Any = run.snapshot.get("bench")
    specs = bench.get("instruments") if isinstance(bench, Mapping) else None
    for name, who in run.identities.items():
        spec = (specs or {}).get(name)
        if who.serial == serial and isinstance(spec, Mapping):
            return InstrumentSpec(
                name,
                str(spec.get("driver")),
                timebase_ppm=spec.get("timebase_ppm"),
                timebase_ageing_ppm_per_year=spec.get("timebase_ageing_ppm_per_year"),
            )
    return None


def _doubt(run: Run, held: ReferenceCheck, known: Sequence[ReferenceCheck]) -> str:
    again = f"judge it again with `benchlog judge {run.id} --refcheck latest`"
    if held.void is not None:
        return f"{VOIDED} ({held.void}); {again}"
    serial = held.instrument.serial
    standing = [
        one for one in known if one.instrument.serial == serial and one.void is None
    ]
    return contradiction(counter_of(run, serial), held, standing, again)


def contradiction(
    spec: InstrumentSpec | None,
    held: ReferenceCheck,
    checks: Sequence[ReferenceCheck],
    again: str = "check again with refcheck",
    who: str = "the check it rests on",
) -> str:
    """Say that a check contradicts another, as long as no third one settles it.

    `checks` are those of the instrument that were not voided, the newest last; `who`
    is what the check is called, `again` what to do where it stands alone.
    """
    standing = Standing(spec)
    for one in checks:
        standing.take(one)
    for older, newer in standing.contradicted:
        if held not in (older, newer):
            continue
        third = _settled_by(spec, (older, newer), checks)
        other = newer if held == older else older
        said = f"{who} {_said(beside(spec, older, newer), held == older)}"
        if third is None:
            return (
                f"{said}: the time base may have moved, or one of them was wired "
                "wrongly; check again with refcheck"
            )
        between = (third.at_utc_ns < held.at_utc_ns) != (
            other.at_utc_ns < held.at_utc_ns
        )
        if between and beside(spec, *_in_order(third, other)).agrees:
            return f"{said}, and checks before and after it agree; {again}"
    return ""


def _settled_by(
    spec: InstrumentSpec | None,
    pair: tuple[ReferenceCheck, ReferenceCheck],
    checks: Sequence[ReferenceCheck],
) -> ReferenceCheck | None:
    """Return the newest other check that agrees with one of a pair, and one only."""
    for third in reversed(checks):
        if third in pair:
            continue
        agree = [beside(spec, *_in_order(third, one)).agrees for one in pair]
        if agree[0] != agree[1]:
            return third
    return None


def _in_order(
    one: ReferenceCheck, other: ReferenceCheck
) -> tuple[ReferenceCheck, ReferenceCheck]:
    return (one, other) if one.at_utc_ns <= other.at_utc_ns else (other, one)


def _said(found: Beside, is_older: bool) -> str:
    together = math.hypot(found.older_u_ppm, found.newer_u_ppm)
    by = f"by {format_ppm(found.difference_ppm, together)} ppm where "
    by += f"{format_u_ppm(together)} is allowed"
    if is_older:
        return f"is contradicted by the one after it {by}"
    return f"contradicts the one before it {by}"
