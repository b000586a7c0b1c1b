"""What speaks against a reference check: before it is kept, and of one that is kept."""

import math
from collections.abc import Iterator
from typing import Final

from benchlog.model import InstrumentSpec, ReferenceSpec
from benchlog.units import (
    SECONDS_PER_DAY,
    as_stated,
    format_ppm,
    format_u_ppm,
)
from benchlog.verdict.timebase.reference_check import Finding

_PULSES_HZ: Final = 1e3  # our rule: below it the reference is pulses


def refusals(finding: Finding) -> Iterator[str]:
    """Say why a finding should not be kept as a check; nothing when it may."""
    drift = finding.drift
    if drift is None:
        yield "the check was too short to tell whether the time base still drifts"
    elif drift.too_fast:
        moves = format_ppm(drift.ppm_per_h, drift.allowed)
        yield (
            f"the time base still drifts by {moves} ppm an hour, "
            f"{format_u_ppm(drift.allowed)} is allowed ({drift.limit.text}): let it "
            "warm up and repeat"
        )


def warnings(finding: Finding, counter: InstrumentSpec) -> Iterator[str]:
    """Say what of a finding contradicts the bench file; nothing when all is well."""
    stated, u = counter.timebase_ppm, finding.budget.expanded_ppm
    if stated is None or abs(finding.offset_ppm) - u <= abs(stated):
        return
    yield (
        f"{format_ppm(finding.offset_ppm, u)} +- {format_u_ppm(u)} ppm lies outside "
        f"the +-{as_stated(abs(stated))} ppm that timebase_ppm states for "
        f"{counter.name!r}: "
        "what its maker promises no longer holds, or the reference is not what "
        "[reference] says; correct the bench file or find the cause"
    )


def cautions(
    finding: Finding, counter: InstrumentSpec, reference: ReferenceSpec
) -> Iterator[str]:
    """Say what a person should know of a check that is kept."""
    drift = finding.drift
    if drift is not None and not drift.known_well_enough:
        told_s = drift.told_after_s(finding.span_s)
        yield (
            f"whether it still drifts is known to +-{format_u_ppm(drift.u_ppm_per_h)} "
            f"ppm an hour only, {format_u_ppm(drift.allowed)} is allowed "
            f"({drift.limit.text}): {longer_words(told_s, reference)}"
        )
    if not counter.timebase_ageing_ppm_per_year:
        yield (
            f"no timebase_ageing_ppm_per_year is stated for {counter.name!r}: none is "
            "added as the check grows older"
        )


def longer_words(told_s: float, reference: ReferenceSpec) -> str:
    """Say how long a check would tell, or what to wire where nobody would wait."""
    if told_s <= SECONDS_PER_DAY:
        return f"a check of about {_roughly(told_s)} would tell"
    said = f"wired like this only a check of about {_roughly(told_s)} would tell"
    if reference.pulses is not None:
        return f"{said}; let the counter itself time the reference's pulses"
    if reference.nominal_hz <= _PULSES_HZ:
        return f"{said}; let the counter measure a reference frequency"
    return f"{said}; take a longer gate"


def _roughly(seconds: float) -> str:
    """Return a duration as a person plans it."""
    minutes = math.ceil(seconds / 60.0)
    if minutes < 120:
        return f"{minutes} min"
    hours = math.ceil(seconds / 3600.0)
    return f"{hours} h" if hours <= 48 else f"{math.ceil(hours / 24)} days"
