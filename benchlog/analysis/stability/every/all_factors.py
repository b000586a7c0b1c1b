"""Mean squares of differences at every averaging factor, each good to `EXACT`.

Sums of squared differences are sums of products a lag apart, less what is missing at
both ends. Products go through Fourier transforms, which err in proportion to the square
of the data and not to the sum; every sum therefore comes with a bound, and where the
bound is more than `EXACT` of it the differences are squared and added as they are.
Bands of factors are taken from the longest down, over shorter and shorter segments.

With a second or third difference of order p, D x[k] = sum over b of c_b x[k + b m], the
sum of (D x[k])^2 over k < n - p m is

    sum over lags l of w_l R(l m)  -  sum over a >= 1, l of c_a c_(a+l) E(a, l; m),

R(l) the sum of x[j] x[j + l], w_l = (-1)^l binomial(2p, p + l), both signs of l; E the
sum over j < a m of x[j] x[j + l m], of the data and of the data reversed. The modified
Allan variance is that of third differences of the running sum of the phase.
"""

from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from math import comb
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.stability.difference_sums import mean_squares
from benchlog.analysis.stability.every.edge_sums import edge_sums
from benchlog.analysis.stability.every.jump_terms import jump_terms, signs_of
from benchlog.analysis.stability.every.lagged_products import (
    UNIT,
    lagged_sums,
    running_totals,
)
from benchlog.analysis.stability.every.segments import (
    Remainders,
    remainders,
    summed_remainders,
)
from benchlog.analysis.stability.every.straightening import straightened

Array = NDArray[np.float64]
Sums = tuple[Array, float]
Each = Callable[
    [Callable[[Callable[[], Sums]], Sums], Iterable[Callable[[], Sums]]],
    Iterable[Sums],
]

EXACT: Final = 1e-9  # our rule: far below what anybody reads off
"""Relative error of a mean square, at most."""
_SHORT: Final = 16  # our rule: for speed alone; up to here differences are added
_BAND: Final = 4  # our rule: for speed alone; the longest factor over the shortest
_STEP: Final = 1.25  # our rule: for speed alone; a band is at least so wide
_THREADS: Final = 2  # our rule: a band has no more than two long parts
_ROUNDED: Final = 24.0  # derived: products and sums a figure goes through beside them


@dataclass(frozen=True, slots=True)
class SquaredDifferences:
    """Which differences are squared."""

    order: int
    summed: bool = False  # of the running sum of the phase

    def count(self, points: int, m: int) -> int:
        """Return how many there are of so many phases."""
        return max(0, points + self.summed - self.order * m)


# definition: of the phase; the modified one of its running sum
ALLAN: Final = SquaredDifferences(2)
HADAMARD: Final = SquaredDifferences(3)  # definition
MODIFIED: Final = SquaredDifferences(3, summed=True)  # definition


def every_mean_square(phase: Array, differences: SquaredDifferences, top: int) -> Array:
    """Return the mean squares at m = 1 ... top, as `mean_squares` has them.

    Parameters
    ----------
    phase : array, shape (n,)
        Gapless; any unit.
    differences : SquaredDifferences
    top : int
        The largest averaging factor; 0 where it leaves no difference.

    """
    points = len(phase)
    sums = np.zeros(top + 1)
    last = min(top, (points + differences.summed - 1) // differences.order)
    straight = straightened(phase, differences.order - 1 - differences.summed)
    direct = list(range(1, min(last, _SHORT) + 1))
    with ThreadPoolExecutor(_THREADS) as pool:
        while last > _SHORT:
            band = max(last // _BAND, _SHORT), last
            last, left = _filled_band(straight, differences, band, sums, pool.map)
            direct += left
    factors = np.arange(1.0, top + 1.0)
    found = sums[1:] / np.maximum(
        points + differences.summed - differences.order * factors, 1
    )
    if differences.summed:
        found /= factors**2
    for m in direct:
        found[m - 1] = direct_mean_square(straight, differences, m)
    return np.asarray(found)


def direct_mean_square(phase: Array, differences: SquaredDifferences, m: int) -> float:
    """Return one mean square with the differences added as they are."""
    if differences is ALLAN:
        return mean_squares(phase, [m], only_allan=True)[0].allan
    one = mean_squares(phase, [m])[0]
    return one.modified if differences.summed else one.hadamard


def _filled_band(
    phase: Array,
    differences: SquaredDifferences,
    band: tuple[int, int],
    sums: Array,
    each: Each,
) -> tuple[int, list[int]]:
    """Fill in the sums of low + 1 ... top; return where to go on, and what is left.

    Where the bound fails only at short factors the next band has them; what it leaves
    open above is returned.
    """
    low, top = band
    rest = _segmented(phase, differences, top)
    found, bound = sums_of_squares(rest, differences.order, low, top, each)
    floor = _rounding_floor(phase, differences)
    good = bound <= EXACT * np.maximum(found, floor)
    sums[low + 1 : top + 1] = np.maximum(found, 0.0)
    bad = np.flatnonzero(~good) + low + 1
    if not len(bad):
        return low, []
    limit = int(top / _STEP)
    left = bad[bad > limit].tolist()
    below = bad[bad <= limit]
    return (int(below[-1]) if len(below) else low), left


def _segmented(phase: Array, differences: SquaredDifferences, top: int) -> Remainders:
    order = differences.order
    take = summed_remainders if differences.summed else remainders
    return take(phase, order, order * top, order * top)


def _rounding_floor(phase: Array, differences: SquaredDifferences) -> float:
    """Return the sum that the last digits of the phases alone would make."""
    if differences.summed:
        return 0.0
    size = UNIT * float(np.abs(phase).max())
    return comb(2 * differences.order, differences.order) * len(phase) * size**2


def sums_of_squares(
    rest: Remainders, order: int, low: int, top: int, each: Each = map
) -> tuple[Array, Array]:
    """Return the sums at m = low + 1 ... top, and bounds of their errors.

    `each` calls the parts that do not wait for each other; it may do so at once.
    """
    values, signs = rest.values, signs_of(order)
    ends = np.stack([values, values[::-1]])[:, : order * top]
    edges = [
        (growth, lag)
        for growth in range(1, order + 1)
        for lag in range(1, order + 1 - growth)
    ]
    parts = (
        partial(lagged_sums, values, order * top),
        *(partial(edge_sums, ends, *edge, low, top) for edge in reversed(edges)),
        partial(jump_terms, rest, order, low, top),
    )
    (lagged, error), *found, (total, bound) = each(_called, parts)
    whole = comb(2 * order, order) * float(lagged[0])
    total += whole
    bounds = np.full(top - low, bound + _ROUNDED * UNIT * whole)
    for lag in range(1, order + 1):
        weight = 2 * (-1) ** lag * comb(2 * order, order + lag)
        total += weight * lagged[lag * (low + 1) : lag * top + 1 : lag]
        bounds += abs(weight) * error
    squares = running_totals(np.einsum("ij,ij->j", ends, ends))
    for growth in range(1, order + 1):
        at = slice(growth * (low + 1), growth * top + 1, growth)
        total -= signs[growth] ** 2 * squares[at]
    for (growth, lag), (sums, error) in zip(reversed(edges), found, strict=True):
        weight = 2 * signs[growth] * signs[growth + lag]
        total -= weight * sums
        bounds += abs(weight) * error
    seen = 2.0 ** (order + 1) * rest.error * np.sqrt(np.maximum(total, 0.0))
    return total, bounds + seen + 4.0**order * rest.error**2


def _called(part: Callable[[], Sums]) -> Sums:
    return part()
