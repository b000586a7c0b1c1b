"""The lag-1 exponent that each power-law noise has once it is averaged over m values.

The exponent is -2 (r1/(1 + r1) + d), r1 the lag-1 autocorrelation after d differences.
It is alpha for fractionally integrated noise of one value a gate, and not alpha for
averages: averaged flicker FM has -1.446, averaged random-walk FM -2.4. Rounding the
exponent would put the bound between the two on the flicker itself. The bounds here lie
midway between what neighbouring noises have at this m. A counter averages within its
gate already, so where one value a gate and averages differ, a noise has a range.

White and flicker PM are told apart by the slope of the modified Allan variance: the
lag-1 exponent of flicker PM goes from 0.7 towards that of white PM as m grows.

Sources: W. J. Riley, C. A. Greenhall, EFTF 2004 (see `noise_identification`); NIST
SP 1065, 5.5.6 and table 3 (slopes), from memory. The exponents are derived: r1 is exact
for the noise whose phase has the autocovariance of `freedom`.
"""

import math
from functools import lru_cache
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.stability.freedom import (
    Differences,
    difference_covariance,
)

Array = NDArray[np.float64]

_ALPHAS: Final = (1, 0, -1, -2, -3, -4)  # definition: white PM is told by slope
_LONG: Final = 1 << 12  # from here on nothing changes by 1e-6; derived
_SAMPLED: Final = 32  # beyond, one value a gate and averages agree to 0.003; derived
# our rule: up to a quarter of the way to its neighbour a noise is taken as itself, over
# the half between the two are blended
_QUARTER: Final = 0.25


def averaged_exponent(alpha: int, m: int) -> float:
    """Return the exponent of averages over m; alpha 2 ... -4.

    Odd alpha -1 and -3 are the continuous law, the same at every m; flicker PM reaches
    up to half the sampling rate; the even ones are white noise of one value a gate,
    summed up, and go to the continuous law as m grows.
    """
    d = _differences(alpha)
    shape = Differences(order=1 + d, m=m, pairs=2)
    here, next_ = difference_covariance(np.array([0.0, float(m)]), shape, alpha)
    return _exponent(float(next_ / here), d)


def sampled_exponent(alpha: int, m: int) -> float:
    """Return the exponent of averages over m of fractionally integrated noise.

    Its autocorrelation after d differences is the product of (k - 1 + D)/(k - D), with
    D = -alpha/2 - d (J. R. M. Hosking, Biometrika 68 (1981) 165, from memory).
    """
    d = _differences(alpha)
    memory = -alpha / 2.0 - d
    k = np.arange(1.0, (2 * d + 3) * m + 1)
    rho = np.concatenate(([1.0], np.cumprod((k - 1.0 + memory) / (k - memory))))
    weight = np.ones(m)
    for _ in range(d):
        weight = np.convolve(weight, np.ones(m))
    both = np.correlate(weight, weight, "full")
    lags = np.arange(len(both)) - (len(weight) - 1)
    here, next_ = (float(both @ rho[np.abs(lags + at)]) for at in (0, m))
    return _exponent(next_ / here, d)


def placed(exponent: float, m: int) -> tuple[int, float]:
    """Return which noise of alpha 1 ... -4 an exponent at m means, and a blend.

    The blend is a number without a step: alpha itself near a noise, and between two the
    share of each. Phase noises are 1 here, whichever it is.
    """
    bands = _bands(m)
    for (quick, above), (slow, below) in pairwise(zip(_ALPHAS, bands, strict=True)):
        if exponent >= above[0]:
            return quick, float(quick)
        if exponent > below[1]:
            share = (above[0] - exponent) / (above[0] - below[1])
            return (quick if share < 0.5 else slow), quick - blended(share)
    return _ALPHAS[-1], float(_ALPHAS[-1])


def blended(share: float) -> float:
    """Return how much a neighbour counts, `share` of the way towards it."""
    return min(1.0, max(0.0, (share - _QUARTER) / (1.0 - 2.0 * _QUARTER)))


@lru_cache(maxsize=256)
def phase_noise_ratios(before: int, m: int) -> tuple[float, float]:
    """Return ln of MVAR at m over MVAR before it, of white PM and of flicker PM."""
    apart = math.log(m / before)
    if m > _SAMPLED:  # the power laws
        return -3.0 * apart, -2.0 * apart
    variances = [_modified(at) / at**2 for at in (before, m)]
    return -3.0 * apart, math.log(variances[1] / variances[0])


def _modified(m: int) -> float:
    shape = Differences(order=2, m=m, pairs=2, averaged=True)
    return float(difference_covariance(np.zeros(1), shape, 1)[0])


@lru_cache(maxsize=256)
def _bands(m: int) -> tuple[tuple[float, float], ...]:
    """Return the least and the largest exponent of each noise of `_ALPHAS`."""
    found = []
    for alpha in _ALPHAS:
        values = [averaged_exponent(alpha, m)]
        if alpha < 0:
            values.append(averaged_exponent(alpha, _LONG))
        if alpha == 1 and m <= _SAMPLED:
            values = []  # no filter before a counter: beyond half the rate folds back
        if m <= _SAMPLED:
            values.append(sampled_exponent(alpha, m))
        found.append((min(values), max(values)))
    return tuple(found)


def _differences(alpha: int) -> int:
    """Return how often noise must be differenced until it is stationary."""
    return 0 if alpha >= 0 else (1 - alpha) // 2


def _exponent(r1: float, d: int) -> float:
    return -2.0 * (r1 / (1.0 + r1) + d)
