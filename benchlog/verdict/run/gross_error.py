"""A frequency that no device of the part can have: what it may be instead."""

import math
from typing import Final

from benchlog.units import (
    as_stated,
    format_frequency,
    format_ppm,
)

_FAR_PPM: Final = 20_000.0
"""Nearer than this (2 %) it may just be a bad device. Our rule, no source."""
# _LIMITS, _LEAST_PPM, _UNIT_PPM, _UNIT_MOST_PPM: our rule: how near to a whole ratio
# a device of the part would be, in limits and ppm.
_LIMITS: Final = 3.0
_LEAST_PPM: Final = 300.0
_UNIT_PPM: Final = 2_000.0
_UNIT_MOST_PPM: Final = 200_000.0
# definition: powers of 1,000
_UNITS: Final = {
    -3: ("a thousand-millionth of", "GHz"),
    -2: ("a millionth of", "MHz"),
    -1: ("a thousandth of", "kHz"),
    1: ("a thousand times", "mHz"),
}
"""Power of 1,000 to what the readings are of nominal, and what they may be in."""
_BY_CHANCE: Final = 0.1  # our rule, no source: one in ten
"""A divider is guessed only while a frequency of no meaning at all would come as near
to a whole multiple less often than this."""


def unit_doubt(offset_ppm: float, limit_ppm: float) -> str:
    """Ask for the unit where readings are whole powers of 1,000 off, else nothing.

    No source runs a thousand or a million times too slow: nothing is to be judged
    then. `limit_ppm` may be infinite, where none is known.
    """
    ratio = 1.0 + offset_ppm * 1e-6
    if ratio <= 0:
        return ""
    power = round(math.log10(ratio) / 3.0)
    off_ppm = (ratio * 1000.0**-power - 1.0) * 1e6
    near_ppm = min(max(_LIMITS * limit_ppm, _UNIT_PPM), _UNIT_MOST_PPM)
    if power not in _UNITS or abs(off_ppm) > near_ppm:
        return ""
    share, unit = _UNITS[power]
    return (
        f"the readings are near {share} nominal: are they in {unit}, not Hz? "
        f"Then it is {format_ppm(off_ppm, max(abs(off_ppm), 1e-9))} ppm off. "
        "Nothing is judged until that is clear"
    )


def other_part(
    offset_ppm: float, nominal_hz: float, limit_ppm: float, divider: float = 1.0
) -> str:
    """Ask what is wrong where no device of a part can be so far off, else nothing.

    Parameters
    ----------
    offset_ppm, nominal_hz : float
        What was found, against the part's frequency.
    limit_ppm : float
        The part's limit; infinite where none is known.
    divider : float
        What the reading was multiplied by, as the position states.

    """
    if doubt := unit_doubt(offset_ppm, limit_ppm):
        return doubt
    far_ppm = _FAR_PPM if math.isinf(limit_ppm) else max(_FAR_PPM, 3 * limit_ppm)
    found_hz = nominal_hz * (1.0 + offset_ppm * 1e-6)
    if abs(offset_ppm) <= far_ppm or found_hz <= 0:
        return ""
    read = format_frequency(float(f"{found_hz:.5g}"))
    said = f"it runs near {read}, the part at {format_frequency(nominal_hz)}: "
    low = whole_multiple(nominal_hz / found_hz, limit_ppm)
    high = whole_multiple(found_hz / nominal_hz, limit_ppm)
    if low or (high and high <= divider):
        meant = divider * low if low else divider / high
        off_ppm = (found_hz * meant / divider / nominal_hz - 1.0) * 1e6
        return (
            f"{said}is the divider {as_stated(meant)}, not {as_stated(divider)}? "
            "Then it is "
            f"{format_ppm(off_ppm, abs(off_ppm))} ppm off. Or is it another part?"
        )
    if high:
        return (
            f"{said}does the counter trigger {high} times in a cycle (trigger level), "
            "or is this another part?"
        )
    return f"{said}is this the right part, and is the divider right?"


def whole_multiple(ratio: float, limit_ppm: float) -> int:
    """Return the whole number from 2 on that a ratio is near enough to, else 0."""
    whole = round(ratio) if ratio < 1e9 else 0
    near = max(_LIMITS * limit_ppm, _LEAST_PPM) * 1e-6
    if whole < 2 or 2.0 * near * whole > _BY_CHANCE:
        return 0
    return whole if abs(ratio / whole - 1.0) <= near else 0
