"""Modified and Hadamard total variance: short stretches, reflected at both ends.

Source: NIST SP 1065, 5.2.12 to 5.2.14. Each stretch of 3m values has its half-average
slope removed and is continued by its mirror image at both ends; the statistic runs over
the 6m differences around the middle. Cost is the length of the data times m.
"""

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.arrays import sum_squares

Array = NDArray[np.float64]

# Bias of each total variance by alpha: over the variance it stands for
MODIFIED_BIAS: Final = {2: 0.94, 1: 0.83, 0: 0.73, -1: 0.70, -2: 0.69}
"""Over modified Allan variance (from memory; 0.73 is confirmed by the published
1000-point values)."""

HADAMARD_BIAS: Final = {0: 0.995, -1: 0.851, -2: 0.771}
"""Over Hadamard variance, m > 1 (from memory; 0.995 is confirmed by the published
1000-point values)."""

TOTAL_SHORT: Final = {0: 0.0, -1: 1.0 / (3.0 * math.log(2.0)), -2: 0.75}
"""a in 1 - a tau/T, total over Allan variance, m > 1 (C. A. Greenhall, D. A. Howe,
D. B. Percival, IEEE UFFC 46 (1999) 1183; NIST SP 1065 table 7; from memory)."""

DRIFT_SHORT: Final = 14.0 / 15.0
"""The same for an even drift. Derived: u averaging times from an end, u < 1, the second
difference of phase reflected there is 2 u - u^2 of that in the middle; the mean square
is 8/15, over tau at either end."""

_CELLS: Final = 1 << 20  # values held at once; our rule: 8 MB


def bias_of(table: dict[int, float], alpha: float | None) -> float:
    """Return a table's entry for alpha, the share of each between two noises."""
    noises = sorted(table)
    return float(np.interp(alpha or 0.0, noises, [table[one] for one in noises]))


def total_bias(m: int, values: int, short: float) -> float:
    """Return total variance over Allan variance, `values` frequencies, a = `short`."""
    return 1.0 if m == 1 else max(0.0, 1.0 - short * m / values)


def modified_total(phase: Array, m: int) -> tuple[float, int]:
    """Return the modified total variance times tau^2 / tau0^2, without bias correction.

    `phase` in units of tau0. The count is that of stretches.
    """
    mean, count = _over_stretches(phase, m)
    return mean / 2.0, count


def hadamard_total(frequency: Array, m: int) -> tuple[float, int]:
    """Return the Hadamard total variance without bias correction.

    The mean square of second differences of frequency averages over 6; equal to the
    overlapping Hadamard variance at m = 1, where there is nothing to reflect.
    """
    if m == 1:
        apart = np.diff(frequency, n=2)
        count = len(apart)
        return (sum_squares(apart) / 6.0 / count, count) if count else (0.0, 0)
    mean, count = _over_stretches(frequency, m)
    return mean / 6.0, count


def _over_stretches(values: Array, m: int) -> tuple[float, int]:
    """Mean square second difference of m-averages over all reflected stretches."""
    count = len(values) - 3 * m + 1
    if count < 1:
        return 0.0, 0
    stretches = np.lib.stride_tricks.sliding_window_view(values, 3 * m)
    rows = max(1, _CELLS // (9 * m))
    total = sum(
        _reflected_squares(stretches[at : at + rows], m) for at in range(0, count, rows)
    )
    return total / (6.0 * m) / count, count


def _reflected_squares(stretches: Array, m: int) -> float:
    half, odd = divmod(3 * m, 2)
    gap = half + odd  # distance of the centres of the two halves
    slope = (stretches[:, half + odd :].mean(1) - stretches[:, :half].mean(1)) / gap
    flat = stretches - slope[:, None] * np.arange(3 * m)
    mirror = flat[:, ::-1]
    sums = np.cumsum(np.hstack([mirror, flat, mirror]), axis=1)
    sums = np.hstack([np.zeros((len(sums), 1)), sums])
    windows = (sums[:, m:] - sums[:, :-m]) / m  # 8m + 1 averages
    second = windows[:, 2 * m :] - 2.0 * windows[:, m:-m] + windows[:, : -2 * m]
    second = second[:, : 6 * m]
    return float(np.sum(second * second))
