"""A device's own slope over temperature, from a run whose ambient moved; streaming.

Readings are averaged in bins of temperature. A straight line through the averages
tells the slope; how they lie about it tells how well, whatever makes them do so: noise,
drift, or a device that follows its ambient late.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.distributions import student_quantile

Array = NDArray[np.float64]
BIN_C: Final = 0.25  # our rule: finer than a room is uneven
FEWEST_BINS: Final = 8
"""A line through fewer averages is no law; our rule (2 C at least)."""
_NEAR: Final = 1024  # our rule: for speed alone; more bins than a chamber goes through
_FEWEST: Final = 5  # our rule: fewer readings are no average of a temperature
_CAUTION: Final = 2.0
"""Averages of neighbouring temperatures often come from the same hours, so they are not
independent; our rule: the slope is held to be known half as well."""
_QUANTILE: Final = 0.975  # definition: 95 %, two-sided


@dataclass(frozen=True, slots=True)
class Slope:
    """A slope in ppm/C and its half width (95 %)."""

    ppm_per_c: float
    u95_ppm_per_c: float


class OwnSlope:
    """Feeds on temperatures and offsets, tells the slope; memory by bins, not time."""

    def __init__(self) -> None:
        self._sums: dict[int, Array] = {}

    def feed(self, temperature_c: Array, offset_ppm: Array) -> None:
        """Take in offsets (ppm) at temperatures (C); those without one are let pass."""
        known = np.isfinite(temperature_c)
        if not known.any():
            return
        temperature_c, offset_ppm = temperature_c[known], offset_ppm[known]
        low, high = temperature_c.min() / BIN_C, temperature_c.max() / BIN_C
        if math.floor(low) == math.floor(high):  # a steady room
            sums = [len(temperature_c), temperature_c.sum(), offset_ppm.sum()]
            self._add(math.floor(low), sums)
            return
        numbers = np.floor(temperature_c / BIN_C).astype(np.int64)
        for number in _bins(numbers):
            of_it = numbers == number
            sums = [of_it.sum(), temperature_c[of_it].sum(), offset_ppm[of_it].sum()]
            self._add(number, sums)

    def _add(self, number: int, sums: Sequence[float]) -> None:
        before = self._sums.get(number, np.zeros(3))
        self._sums[number] = before + np.array(sums)

    def slope(self) -> Slope | None:
        """Return the slope; None while too few temperatures were seen."""
        rows = [one for one in self._sums.values() if one[0] >= _FEWEST]
        if len(rows) < FEWEST_BINS:
            return None
        n, total_c, total_ppm = np.array(rows).T
        x, y = total_c / n, total_ppm / n
        x, y = x - x.mean(), y - y.mean()
        s_xx = float(x @ x)
        slope = float(x @ y) / s_xx
        rest = y - slope * x
        freedom = len(rows) - 2
        u = math.sqrt(float(rest @ rest) / freedom / s_xx)
        factor = _CAUTION * student_quantile(freedom, _QUANTILE)
        return Slope(slope, factor * u)


def _bins(numbers: NDArray[np.int64]) -> list[int]:
    """Return the bins that values fall into, in rising order."""
    first, last = int(numbers.min()), int(numbers.max())
    if last - first < _NEAR:
        bins = np.flatnonzero(np.bincount(numbers - first)) + first
    else:
        bins = np.unique(numbers)
    return [int(one) for one in bins]
