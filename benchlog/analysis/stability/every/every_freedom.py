"""Equivalent degrees of freedom at many averaging factors, and intervals, at once.

What `freedom.equivalent_freedom` works out for one factor depends on that factor, taken
down to few values in each average, and on how many differences there are. Of the first
there are some hundred; the second comes in through sums over lags, kept for each.
"""

from functools import lru_cache
from math import comb
from typing import Final

import numpy as np
from numpy.polynomial import Chebyshev
from numpy.typing import NDArray
from scipy.special import chdtri

from benchlog.analysis.stability.freedom import (
    Differences,
    difference_covariance,
    fine_of,
    reach_of,
    stationary,
)

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

_MANY: Final = 1024  # our rule: for speed alone; fewer are worked out one by one
# derived: errs by 3e-13 at most for edf from 1 on and intervals up to 99.9 %
_DEGREE: Final = 32
_CLOSE: Final = 1e-10  # our rule: below the digits that an interval is compared to
_TRIED: Final = 97  # our rule: three between two nodes, whatever the data are


def every_freedom(
    kind: tuple[int, bool], factors: Whole, pairs: Whole, alphas: Array
) -> Array:
    """Return `freedom.blended_freedom` at each factor.

    Parameters
    ----------
    kind : tuple of int and bool
        Order of the differences, and whether phases are averaged first.
    factors, pairs : array of int, shape (n,)
        Averaging factors, and how many overlapping differences each has.
    alphas : array, shape (n,)
        Exponents of the noise, between -4 and 2.

    """
    found = np.ones(len(factors))
    for quick in np.unique(np.ceil(alphas)).astype(int).tolist():
        at = np.flatnonzero(np.ceil(alphas) == quick)
        found[at] = _of_one_noise(kind, factors[at], pairs[at], quick)
        between = at[alphas[at] < quick]
        if not len(between):
            continue
        slow = _of_one_noise(kind, factors[between], pairs[between], quick - 1)
        share = quick - alphas[between]
        found[between] += share * (slow - found[between])
    return found


def every_interval(
    values: Array, edf: Array, probability: float
) -> tuple[Array, Array]:
    """Return `freedom.interval` of each deviation: the lower and the upper ends."""
    tail = (1.0 - probability) / 2.0
    return values * _over_chi(edf, tail), values * _over_chi(edf, 1.0 - tail)


def _over_chi(edf: Array, share: float) -> Array:
    """Return sqrt(edf over its chi-squared that `share` of all is above).

    It is smooth in 1/sqrt(edf), so for many values a polynomial through the Chebyshev
    nodes does. It is tried on some of the values and not taken where it is off.
    """
    if len(edf) < _MANY or float(edf.min()) == float(edf.max()):
        return np.asarray(np.sqrt(edf / chdtri(edf, share)))
    place = 1.0 / np.sqrt(edf)
    least, most = float(place.min()), float(place.max())
    found = Chebyshev.interpolate(
        _exactly_over_chi, _DEGREE, domain=[least, most], args=(share,)
    )
    tried = np.append(np.linspace(least, most, _TRIED), 1.0 / np.sqrt(edf[::_MANY]))
    exact = _exactly_over_chi(tried, share)
    if (np.abs(found(tried) - exact) > _CLOSE * exact).any():
        return _exactly_over_chi(place, share)
    return np.asarray(found(place))


def _exactly_over_chi(place: Array, share: float) -> Array:
    edf = place**-2.0
    return np.asarray(np.sqrt(edf / chdtri(edf, share)))


def _of_one_noise(
    kind: tuple[int, bool], factors: Whole, pairs: Whole, alpha: int
) -> Array:
    """Return `freedom.equivalent_freedom` at each factor."""
    order, averaged = kind
    alpha = stationary(order, alpha)
    if alpha == 2 and not averaged:
        found = _of_white_phase(order, factors, pairs)
    else:
        step = -(-factors // fine_of(alpha))
        coarse, pairs = factors // step, pairs // step
        found = np.ones(len(factors))
        by_factor = np.argsort(coarse, kind="stable")
        values, begins = np.unique(coarse[by_factor], return_index=True)
        for m, at in zip(values.tolist(), np.split(by_factor, begins[1:]), strict=True):
            squares, weighted = _lag_sums(order, averaged, m, alpha)
            reach = np.minimum(np.maximum(pairs[at] - 1, 0), len(squares) - 1)
            n = np.maximum(pairs[at], 1)
            found[at] = n / (1.0 + 2.0 * (squares[reach] - weighted[reach] / n))
    return np.where(pairs <= 1, 1.0, found)


@lru_cache(maxsize=4096)
def _lag_sums(order: int, averaged: bool, m: int, alpha: int) -> tuple[Array, Array]:
    """Return the sums of rho_k^2 and of k rho_k^2 over the lags 1 ... k."""
    # of more pairs than lags, whatever they are
    differences = Differences(order=order, m=m, pairs=0, averaged=averaged)
    lags = np.arange(reach_of(differences, alpha) + 1.0)
    covariance = difference_covariance(lags, differences, alpha)
    rho2 = (covariance / covariance[0]) ** 2
    rho2[0] = 0.0
    return np.cumsum(rho2), np.cumsum(lags * rho2)


def _of_white_phase(order: int, factors: Whole, pairs: Whole) -> Array:
    """Differences of white PM that share no phase are independent."""
    n = np.maximum(pairs, 1)
    shared = np.zeros(len(factors))
    for k in range(1, order + 1):
        rho2 = (comb(2 * order, order + k) / comb(2 * order, order)) ** 2
        shared += rho2 * np.maximum(0.0, 1.0 - k * factors / n)
    return n / (1.0 + 2.0 * shared)
