"""How fast a time base ages, by its own reference checks."""

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from benchlog.model import ReferenceCheck
from benchlog.units import NS_PER_S, SECONDS_PER_DAY

_LEAST_DAYS: Final = 30.0  # our rule: with _FEWEST
_FEWEST: Final = 3
"""Three checks in a month before they tell of ageing; our rule."""
_DAYS_PER_YEAR: Final = 365.25  # definition: the Julian year


def learnt_ageing(checks: Sequence[ReferenceCheck]) -> float | None:
    """Return how fast a time base may age, ppm a year; None where checks are too few.

    The slope of a straight line through them, least squares, and twice its standard
    uncertainty besides: from how they lie about the line, or from their own
    uncertainty where that is larger.
    """
    days = np.array([one.at_utc_ns / (NS_PER_S * SECONDS_PER_DAY) for one in checks])
    if len(checks) < _FEWEST or days[-1] - days[0] < _LEAST_DAYS:
        return None
    offset = np.array([one.offset_ppm for one in checks])
    years = (days - days.mean()) / _DAYS_PER_YEAR
    spread = float(years @ years)
    slope = float(years @ (offset - offset.mean())) / spread
    rest = offset - offset.mean() - slope * years
    own = float(np.mean([one.u_ppm**2 for one in checks]))
    variance = max(float(rest @ rest) / (len(checks) - 2), own)
    return abs(slope) + 2.0 * math.sqrt(variance / spread)
