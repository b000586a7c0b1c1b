"""When a point counts as settled: slopes of devices and probe within a window."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.model import SettledRule

Array = NDArray[np.float64]
_MINUTE_S: Final = 60.0  # definition
_FEWEST: Final = 3
"""Values that a slope with an uncertainty needs; definition."""
_COVERED: Final = 0.8
"""Of the window that they must cover; our rule."""
_SURE: Final = 2.0
"""Standard uncertainties by which a slope must be too steep to count as that; our rule:
noise alone holds up one look in twenty."""


@dataclass(frozen=True, slots=True)
class DriftSlope:
    """A slope a minute, with its standard uncertainty; not finite where unknown."""

    per_min: float
    u_per_min: float


UNKNOWN: Final = DriftSlope(math.nan, math.inf)


def slope_of(t_s: Array, values: Array, window_s: float) -> DriftSlope:
    """Return the slope of the newest values within a window, by least squares.

    Parameters
    ----------
    t_s, values : array, shape (n,)
        By rising time.

    Unknown for fewer than three values, or where they do not cover the window.

    """
    if len(t_s) < _FEWEST:
        return UNKNOWN
    inside = t_s >= t_s[-1] - window_s
    t, y = t_s[inside] - t_s[-1], values[inside]
    if len(t) < _FEWEST or t[-1] - t[0] < _COVERED * window_s:
        return UNKNOWN
    away = t - t.mean()
    power = float(away @ away)
    slope = float(away @ (y - y.mean())) / power
    rest = y - y.mean() - slope * away
    u = math.sqrt(float(rest @ rest) / (len(t) - 2) / power) if len(t) > 2 else math.inf
    return DriftSlope(slope * _MINUTE_S, u * _MINUTE_S)


def device_settled(slope: DriftSlope, rule: SettledRule) -> bool:
    """Tell whether a device has settled: its slope is not surely too steep.

    A slope that noise hides is not too steep: more would not be known by waiting.
    """
    if math.isnan(slope.per_min):
        return False
    return abs(slope.per_min) - _SURE * slope.u_per_min <= rule.device_ppm_per_min


def probe_settled(
    t_s: Array, celsius: Array, target_c: float | None, rule: SettledRule
) -> bool:
    """Tell whether the probe has settled where it was sent; None: anywhere."""
    slope = slope_of(t_s, celsius, rule.window_s)
    if math.isnan(slope.per_min):
        return False
    near = target_c is None or abs(celsius[-1] - target_c) <= rule.probe_band_c
    steep = abs(slope.per_min) - _SURE * slope.u_per_min
    return near and steep <= rule.probe_c_per_min
