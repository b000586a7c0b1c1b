"""Mean squares of differences where values are missing: nothing is invented.

An average counts when at least half of its values are there, and is the mean of those;
a difference counts when all its averages do. Averages over phase (modified Allan) need
every value, because phase is not known across a gap.
"""

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.arrays import sum_squares
from benchlog.analysis.passes import Squares

Array = NDArray[np.float64]


def gapped_squares(frequency: Array, factors: list[int]) -> list[Squares]:
    """Return mean squares as `mean_squares` does, from frequency with NaN gaps.

    The unit is that of phase in units of tau0. Pairs are those that count.
    """
    there = ~np.isnan(frequency)
    centre = float(frequency[there].mean()) if there.any() else 0.0
    filled = np.where(there, frequency - centre, 0.0)
    total = np.concatenate(([0.0], np.cumsum(filled)))
    count = np.concatenate(([0], np.cumsum(there)))
    return [_one(total, count, m) for m in factors]


def gapped_averages(frequency: Array, m: int) -> Array:
    """Return adjacent averages of m values, NaN where less than half are there."""
    blocks = len(frequency) // m
    values = frequency[: blocks * m].reshape(blocks, m)
    there = ~np.isnan(values)
    count = there.sum(axis=1)
    sums = np.where(there, values, 0.0).sum(axis=1)
    return np.where(2 * count >= m, sums / np.maximum(count, 1), np.nan)


def gapped_plain(frequency: Array, m: int, order: int) -> tuple[float, int]:
    """Mean square of adjacent differences of averages; `order` 2 or 3 of phase."""
    means = gapped_averages(frequency, m)
    apart = np.diff(means, n=order - 1)
    apart = apart[~np.isnan(apart)] * m
    return (sum_squares(apart) / len(apart), len(apart)) if len(apart) else (0.0, 0)


def _one(total: Array, count: NDArray[np.int64], m: int) -> Squares:
    if len(total) <= 2 * m:
        return Squares(m, 0.0, 0, 0.0, 0, 0.0, 0)
    found = count[m:] - count[:-m]
    means = (total[m:] - total[:-m]) / np.maximum(found, 1)
    usable = 2 * found >= m
    second = means[m:] - means[:-m]
    both = usable[m:] & usable[:-m]
    whole = (count[2 * m :] - count[: -2 * m]) == 2 * m
    allan, n_allan = _mean_square(second[both] * m)
    if len(second) <= m:
        hadamard, n_hadamard = 0.0, 0
    else:
        third = second[m:] - second[:-m]
        hadamard, n_hadamard = _mean_square(third[both[m:] & both[:-m]] * m)
    modified, n_modified = _modified(second * m, whole, m)
    return Squares(m, allan, n_allan, hadamard, n_hadamard, modified, n_modified)


def _modified(second: Array, whole: NDArray[np.bool_], m: int) -> tuple[float, int]:
    if len(second) < m:
        return 0.0, 0
    sums = np.concatenate(([0.0], np.cumsum(np.where(whole, second, 0.0))))
    counts = np.concatenate(([0], np.cumsum(whole)))
    full = (counts[m:] - counts[:-m]) == m
    return _mean_square((sums[m:] - sums[:-m])[full] / m)


def _mean_square(values: Array) -> tuple[float, int]:
    return (sum_squares(values) / len(values), len(values)) if len(values) else (0, 0)


def longest_stretch(frequency: Array) -> Array:
    """Return the longest unbroken stretch."""
    there = np.concatenate(([False], ~np.isnan(frequency), [False])).astype(np.int8)
    edges = np.flatnonzero(np.diff(there))
    starts, ends = edges[::2], edges[1::2]
    if not len(starts):
        return frequency[:0]
    longest = int(np.argmax(ends - starts))
    return frequency[starts[longest] : ends[longest]]
