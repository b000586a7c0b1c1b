"""Sums of squared phase differences: shared passes in blocks that stay in the cache.

One pass over the phase at averaging factor m serves Allan, Hadamard and modified Allan
together: second differences d, third differences h (the difference of two d, m apart)
and the running sum of h, which moves a window of m second differences along.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.arrays import BLOCK, running_sum, sum_squares
from benchlog.analysis.stability.octave_squares import LONG, octave_sums

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Squares:
    """Mean squares at one averaging factor, phase in units of tau0; pairs of each.

    `allan` of x[k+2m] - 2x[k+m] + x[k], `hadamard` of the third difference, `modified`
    of second differences of phases averaged over m.
    """

    m: int
    allan: float
    n_allan: int
    hadamard: float
    n_hadamard: int
    modified: float
    n_modified: int


def mean_squares(
    phase: Array, factors: list[int], *, only_allan: bool = False
) -> list[Squares]:
    """Return the mean squares of every overlapping difference at each factor.

    Parameters
    ----------
    phase : array, shape (n,)
        Gapless, best without its straight line; any unit.
    factors : list of int
        Averaging factors; those too long for the data yield no pairs.
    only_allan : bool
        Leave the others out (zero of zero pairs): a third of the work.

    """
    if len(phase) >= LONG and factors == [1 << k for k in range(len(factors))]:
        return _octaves(phase, len(factors), only_allan=only_allan)
    # No second thread: a block that stays in the cache is done in microseconds, and two
    # threads that hand the interpreter over that often are slower than one.
    one = _one_allan if only_allan else _one
    return [one(phase, m) for m in factors]


def _octaves(phase: Array, octaves: int, *, only_allan: bool) -> list[Squares]:
    n, found = len(phase), []
    sums = octave_sums(phase, octaves, only_allan=only_allan)
    for m, one in zip((1 << k for k in range(octaves)), sums, strict=True):
        n_allan = max(0, n - 2 * m)
        n_third = 0 if only_allan else max(0, n - 3 * m)
        n_modified = 0 if only_allan else max(0, n - 3 * m + 1)
        found.append(
            Squares(
                m=m,
                allan=one.allan / max(1, n_allan),
                n_allan=n_allan,
                hadamard=one.hadamard / max(1, n_third),
                n_hadamard=n_third,
                modified=one.modified / max(1, n_modified) / m**2,
                n_modified=n_modified,
            )
        )
    return found


class _Buffers:
    """Scratch space of one pass."""

    def __init__(self, m: int, n: int) -> None:
        self.block = min(BLOCK, max(1, n))
        reach = self.block + 2 * min(m, BLOCK)
        self.first = np.empty(reach)
        self.second = np.empty(reach)
        self.third = np.empty(self.block)


def _one_allan(phase: Array, m: int) -> Squares:
    n_allan = max(0, len(phase) - 2 * m)
    if n_allan == 0:
        return _no_squares(m)
    allan = _tail(phase, m, 0, n_allan, _Buffers(m, len(phase)))
    return Squares(
        m=m,
        allan=allan / n_allan,
        n_allan=n_allan,
        hadamard=0.0,
        n_hadamard=0,
        modified=0.0,
        n_modified=0,
    )


def _no_squares(m: int) -> Squares:
    return Squares(
        m=m,
        allan=0.0,
        n_allan=0,
        hadamard=0.0,
        n_hadamard=0,
        modified=0.0,
        n_modified=0,
    )


def _one(phase: Array, m: int) -> Squares:
    n = len(phase)
    n_allan, n_third = max(0, n - 2 * m), max(0, n - 3 * m)
    n_modified = max(0, n - 3 * m + 1)
    if n_allan == 0:
        return _no_squares(m)
    buffers = _Buffers(m, n)
    window = _first_window(phase, m) if n_modified else 0.0
    allan = hadamard = 0.0
    modified = [window * window]
    for start in range(0, n_third, buffers.block):
        end = min(start + buffers.block, n_third)
        second, third = _differences(phase, m, start, end, buffers)
        allan += float(second @ second)
        hadamard += float(third @ third)
        third[0] += window
        moved = running_sum(third)
        window = float(moved[-1])
        modified.append(float(moved @ moved))
    allan += _tail(phase, m, n_third, n_allan, buffers)
    return Squares(
        m=m,
        allan=allan / n_allan,
        n_allan=n_allan,
        hadamard=hadamard / n_third if n_third else 0.0,
        n_hadamard=n_third,
        modified=sum(modified) / n_modified / m**2 if n_modified else 0.0,
        n_modified=n_modified,
    )


def _first_window(phase: Array, m: int) -> float:
    """Sum of the first m second differences."""
    first, second, third = phase[:m], phase[m : 2 * m], phase[2 * m : 3 * m]
    return float(np.sum((third - second) - (second - first)))


def _differences(
    phase: Array, m: int, start: int, end: int, buffers: _Buffers
) -> tuple[Array, Array]:
    """Return second and third differences for starts `start` ... `end`."""
    size = end - start
    third = buffers.third[:size]
    if 4 * m <= size:  # the next window overlaps this one: difference once, reuse
        first = buffers.first[: size + 2 * m]
        np.subtract(
            phase[start + m : end + 3 * m], phase[start : end + 2 * m], out=first
        )
        second = buffers.second[: size + m]
        np.subtract(first[m:], first[:-m], out=second)
        np.subtract(second[m:], second[:-m], out=third)
        return second[:size], third
    a, b, c, d = (phase[start + k * m : end + k * m] for k in range(4))
    first, second = buffers.first[:size], buffers.second[:size]
    np.subtract(c, b, out=first)
    np.subtract(d, c, out=third)
    np.subtract(third, first, out=third)
    np.subtract(b, a, out=second)
    np.subtract(first, second, out=second)
    np.subtract(third, second, out=third)
    return second, third


def _tail(phase: Array, m: int, start: int, stop: int, buffers: _Buffers) -> float:
    """Sum of squares of second differences that have no third one."""
    total = 0.0
    for at in range(start, stop, buffers.block):
        end = min(at + buffers.block, stop)
        first, second = buffers.first[: end - at], buffers.second[: end - at]
        np.subtract(phase[at + 2 * m : end + 2 * m], phase[at + m : end + m], out=first)
        np.subtract(phase[at + m : end + m], phase[at:end], out=second)
        np.subtract(first, second, out=second)
        total += float(second @ second)
    return total


def plain_squares(phase: Array, m: int, order: int) -> tuple[float, int]:
    """Mean square of adjacent, non-overlapping differences of order 2 or 3."""
    apart = np.diff(phase[::m], n=order)
    return (sum_squares(apart) / len(apart), len(apart)) if len(apart) else (0.0, 0)


def total_squares(phase: Array, m: int) -> tuple[float, int]:
    """Mean square of x[i-m] - 2x[i] + x[i+m] on phase reflected at both ends.

    The reflection is odd, x*[-k] = 2 x[0] - x[k] (total deviation, SP 1065 5.2.11).
    """
    n = len(phase)
    if n < 3 or m > n - 1:
        return 0.0, 0
    total = 0.0
    for start in range(1, n - 1, BLOCK):
        end = min(start + BLOCK, n - 1)
        ahead = _reflected(phase, start + m, end + m)
        ahead += _reflected(phase, start - m, end - m)
        ahead -= 2.0 * phase[start:end]
        total += float(ahead @ ahead)
    return total / (n - 2), n - 2


def _reflected(phase: Array, start: int, end: int) -> Array:
    """Return x*[start:end] where the indices may run beyond either end."""
    n = len(phase)
    out = np.empty(end - start)
    low, high = min(max(0, -start), len(out)), min(max(0, n - start), len(out))
    out[low:high] = phase[start + low : start + high]
    if low:
        back = phase[-start - low + 1 : -start + 1][::-1]
        np.subtract(2.0 * phase[0], back, out=out[:low])
    if high < len(out):
        first = 2 * (n - 1) - (start + high)
        last = first - (len(out) - high) + 1
        back = phase[last : first + 1][::-1]
        np.subtract(2.0 * phase[-1], back, out=out[high:])
    return out


# --- mean squares of differences where values are missing: nothing is invented
#
# An average counts when at least half of its values are there, and is the mean of
# those; a difference counts when all its averages do. Averages over phase (modified
# Allan) need every value, because phase is not known across a gap.


def gapped_squares(frequency: Array, factors: list[int]) -> list[Squares]:
    """Return mean squares as `mean_squares` does, from frequency with NaN gaps.

    The unit is that of phase in units of tau0. Pairs are those that count.
    """
    total, count = gapped_totals(frequency)
    return [_gapped_squares(total, count, m) for m in factors]


def gapped_totals(frequency: Array) -> tuple[Array, NDArray[np.int64]]:
    """Return sums about the mean before each place, and of how many values."""
    there = ~np.isnan(frequency)
    centre = float(frequency[there].mean()) if there.any() else 0.0
    filled = np.where(there, frequency - centre, 0.0)
    total = np.concatenate(([0.0], np.cumsum(filled)))
    return total, np.concatenate(([0], np.cumsum(there)))


def gapped_differences(
    total: Array, count: NDArray[np.int64] | None, m: int, order: int
) -> tuple[Array, NDArray[np.bool_]]:
    """Return differences of `order` of the phase over m, and which of them count.

    `total` and `count` are what `gapped_totals` returns; no `count`, none missing.
    Differences are of averages: m of them are one of phase in units of tau0.
    """
    found = np.full(len(total) - m, m) if count is None else count[m:] - count[:-m]
    differences = (total[m:] - total[:-m]) / np.maximum(found, 1)
    known = 2 * found >= m
    for _ in range(order - 1):
        differences = differences[m:] - differences[:-m]
        known = known[m:] & known[:-m]
    return differences, known


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


def _gapped_squares(total: Array, count: NDArray[np.int64], m: int) -> Squares:
    if len(total) <= 2 * m:
        return _no_squares(m)
    second, both = gapped_differences(total, count, m, 2)
    whole = (count[2 * m :] - count[: -2 * m]) == 2 * m
    allan, n_allan = _mean_square(second[both] * m)
    if len(second) <= m:
        hadamard, n_hadamard = 0.0, 0
    else:
        third = second[m:] - second[:-m]
        hadamard, n_hadamard = _mean_square(third[both[m:] & both[:-m]] * m)
    modified, n_modified = _modified(second * m, whole, m)
    return Squares(
        m=m,
        allan=allan,
        n_allan=n_allan,
        hadamard=hadamard,
        n_hadamard=n_hadamard,
        modified=modified,
        n_modified=n_modified,
    )


def _modified(second: Array, whole: NDArray[np.bool_], m: int) -> tuple[float, int]:
    if len(second) < m:
        return 0.0, 0
    sums = np.concatenate(([0.0], np.cumsum(np.where(whole, second, 0.0))))
    counts = np.concatenate(([0], np.cumsum(whole)))
    full = (counts[m:] - counts[:-m]) == m
    return _mean_square((sums[m:] - sums[:-m])[full] / m)


def _mean_square(values: Array) -> tuple[float, int]:
    return (sum_squares(values) / len(values), len(values)) if len(values) else (0, 0)


def stretches(frequency: Array) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return where unbroken stretches begin, and where each is over."""
    there = np.concatenate(([False], ~np.isnan(frequency), [False])).astype(np.int8)
    edges = np.flatnonzero(np.diff(there))
    return edges[::2], edges[1::2]


def longest_stretch(frequency: Array) -> Array:
    """Return the longest unbroken stretch."""
    starts, ends = stretches(frequency)
    if not len(starts):
        return frequency[:0]
    longest = int(np.argmax(ends - starts))
    return frequency[starts[longest] : ends[longest]]
