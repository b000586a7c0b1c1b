"""Equivalent degrees of freedom of stability estimates, and their intervals.

edf = (tr S)^2 / tr(S^2) with S the covariance of the differences an estimate adds up:
exact for Gaussian noise. S follows from the generalised autocovariance of the phase
noise. The common closed formulas are off by up to 17 % at small averaging factors.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.distributions import chi_squared_quantile

Array = NDArray[np.float64]

_FINE: Final = 128  # up to this averaging factor every lag is taken; our rule: time
# lags (in averaging times) beyond which correlation is negligible; our rule
_FAR: Final = 16
_TOTAL: Final = {0: (1.50, 0.0), -1: (1.17, 0.22), -2: (0.93, 0.36)}  # SP 1065 table 7
_TERMS: Final = 14  # derived: the first left out is 1e-17 where the series begins
_NEAR: Final = np.array(
    (
        *(0.0, 1.6482776387045075, 2.4376533930572246, 2.8099376364537925),
        *(3.1143565510027433, 3.327422257011003, 3.516474378589846),
        *(3.6658125946911184, 3.8029556454520614, 3.9179284139508823),
        *(4.025537815849732, 4.119007597361121, 4.207552890013441),
    )
)
"""`cosine_rest` where its series is not exact. Derived: with 40 digits; a test holds it
to SciPy."""
_KEPT_OCTAVES: Final = 15
"""Of lags whose law is kept; our rule: enough for all that is not thinned out, and no
more than 4 MB."""
_LONG: Final = 64  # averaging times; our rule: edf is in proportion to more


@dataclass(frozen=True, slots=True, kw_only=True)
class Differences:
    """What an estimate adds up: differences of phase of some order.

    `order` is 2 (Allan) or 3 (Hadamard); `averaged` means each phase is first
    averaged over m points (modified Allan); `stride` is m for plain estimators.
    """

    order: int
    m: int
    pairs: int
    averaged: bool = False
    stride: int = 1


@lru_cache(maxsize=4096)
def equivalent_freedom(differences: Differences, alpha: int) -> float:
    """Return the edf of an estimate for noise of exponent alpha (2 ... -4).

    Noises that are not stationary after `order` differences are taken as the nearest
    one that is (alpha = -2 for order 2).
    """
    m, pairs, stride = differences.m, differences.pairs, differences.stride
    alpha = stationary(differences.order, alpha)
    if pairs <= 1:
        return 1.0
    if alpha == 2 and not differences.averaged:
        return _white_phase_freedom(differences)
    step = max(stride, -(-m // fine_of(alpha)))
    if step > stride:  # thinned out: as many averaging times, fewer lags in each
        scaled = Differences(
            order=differences.order,
            m=m // step,
            pairs=pairs // step,
            averaged=differences.averaged,
        )
        return equivalent_freedom(scaled, alpha)
    reach = min(pairs - 1, reach_of(differences, alpha))
    lags = np.arange(reach + 1) * stride
    covariance = difference_covariance(lags.astype(np.float64), differences, alpha)
    rho2 = (covariance[1:] / covariance[0]) ** 2
    taper = 1.0 - np.arange(1, reach + 1) / pairs
    return float(pairs / (1.0 + 2.0 * float(taper @ rho2)))


def stationary(order: int, alpha: int) -> int:
    """Return the noise nearest to alpha that so many differences make stationary."""
    return max(alpha, -2 if order == 2 else -4)


def fine_of(alpha: int) -> int:
    """Return the averaging factor up to which every lag is taken."""
    return _FINE if alpha != 1 else 8 * _FINE  # flicker PM: a logarithm of the rate


def reach_of(differences: Differences, alpha: int) -> int:
    """Return the lag, in strides, beyond which there is no correlation."""
    order = differences.order + differences.averaged
    far = order if alpha % 2 == 0 else _FAR  # even exponents: no further at all
    return far * differences.m // differences.stride + 1


def _white_phase_freedom(differences: Differences) -> float:
    """As above for white PM: differences that share no phase are independent."""
    order, stride = differences.order, differences.stride
    steps = np.arange(1, order + 1) * (differences.m // stride)
    weights = [math.comb(2 * order, order + k) for k in range(1, order + 1)]
    rho2 = (np.array(weights) / math.comb(2 * order, order)) ** 2
    taper = np.maximum(0.0, 1.0 - steps / differences.pairs)
    return float(differences.pairs / (1.0 + 2.0 * float(taper @ rho2)))


def blended_freedom(differences: Differences, alpha: float) -> float:
    """Return the edf for a noise between two of a table, by the share of each."""
    quick, slow = math.ceil(alpha), math.floor(alpha)
    found = equivalent_freedom(differences, quick)
    if slow == quick:
        return found
    return found + (quick - alpha) * (equivalent_freedom(differences, slow) - found)


def total_freedom(points: int, m: int, alpha: float) -> float | None:
    """Return the edf of total deviation of `points` phases.

    NIST SP 1065 table 7 has b T/tau - c for many values in each average; fewer have as
    much less as the Allan deviation has. With m = 1 nothing is reflected: it is the
    Allan deviation. None for the phase noises with m > 1, which the table does not
    list; between two noises the share of each.
    """
    if m == 1:
        return blended_freedom(Differences(order=2, m=1, pairs=points - 2), alpha)
    if alpha > 0.5:
        return None
    span = (points - 1) / m
    place, edf = sorted(_TOTAL), []
    for noise in place:
        b, c = _TOTAL[noise]
        edf.append(max(1.0, b * span * _coarse(m, noise) - c))
    return float(np.interp(alpha, place, edf))


@lru_cache(maxsize=1024)
def _coarse(m: int, alpha: int) -> float:
    """Return the edf of an Allan deviation at m over that of fine sampling."""
    if m >= _FINE:
        return 1.0
    here, fine = (
        equivalent_freedom(Differences(order=2, m=at, pairs=_LONG * at), alpha)
        for at in (m, _FINE)
    )
    return here / fine


def interval(
    value: float, edf: float, probability: float = 0.95
) -> tuple[float, float]:
    """Return the two-sided chi-squared interval of a deviation (SP 1065 eq. 45)."""
    tail = (1.0 - probability) / 2.0
    low = value * math.sqrt(edf / chi_squared_quantile(edf, tail))
    high = value * math.sqrt(edf / chi_squared_quantile(edf, 1.0 - tail))
    return low, high


def difference_covariance(lags: Array, differences: Differences, alpha: int) -> Array:
    """Return the covariance of two differences `lags` samples apart, up to a factor.

    Lags are whole numbers.
    """
    order, m = differences.order, differences.m
    reach = int(lags.max()) + order * m
    if differences.averaged:
        kernel = _averaged_phase(reach, m, alpha)
    elif reach < 2 * order * len(lags):
        kernel = _phases(reach + 1, alpha)
    else:  # fewer lags than there are up to the last
        return _differenced(order, lambda k: _phase(np.abs(lags + k * m), alpha))
    whole = lags.astype(np.int64)
    return _differenced(order, lambda k: kernel[np.abs(whole + k * m)])


def _differenced(order: int, shifted: Callable[[int], Array]) -> Array:
    """Add up a covariance by how many averaging times it is shifted."""
    weighed = (
        (-1.0) ** k * math.comb(2 * order, order + k) * shifted(k)
        for k in range(-order, order + 1)
    )
    return np.asarray(sum(weighed))


def _averaged_phase(reach: int, m: int, alpha: int) -> Array:
    """Return the covariance of averages over m phases at lags from 0 to `reach`.

    It is a triangle over the phase's own.
    """
    grid = _phases(reach + m + 1, alpha)
    both = np.concatenate((grid[m:0:-1], grid))  # from -m on
    first = np.concatenate(([0.0], np.cumsum(both)))
    window = first[m:] - first[:-m]  # sums over m from each start
    second = np.concatenate(([0.0], np.cumsum(window)))
    triangle = second[m:] - second[:-m]
    # triangle[i] weighs phases from -m + i to -m + i + 2m - 2, centred at i - 1
    return np.asarray(triangle[1 : reach + 2] / m**2)


def _phases(count: int, alpha: int) -> Array:
    """Return `_phase` at the lags from 0 on: one table serves many averaging times."""
    octaves = (count - 1).bit_length()
    if octaves > _KEPT_OCTAVES:
        return _phase(np.arange(float(count)), alpha)
    return _phase_table(octaves, alpha)[:count]


@lru_cache(maxsize=8 * _KEPT_OCTAVES)
def _phase_table(octaves: int, alpha: int) -> Array:
    found = _phase(np.arange(float(1 << octaves)), alpha)
    found.setflags(write=False)
    return found


def _phase(at: Array, alpha: int) -> Array:  # noqa: PLR0911 - one per noise
    """Return the generalised autocovariance of phase at whole lags >= 0.

    White PM and, summed up, the even exponents are exact for sampled noise. Flicker
    PM is 1/f up to half the sampling rate; odd ones below are the continuous law.
    """
    t = np.abs(at)
    if alpha == 2:
        return np.where(t == 0, 1.0, 0.0)
    if alpha == 1:
        return -cosine_rest(t)
    if alpha == 0:
        return -t / 2.0
    log = np.log(np.maximum(t, 1.0))
    if alpha == -1:
        return t**2 * log / 2.0
    if alpha == -2:
        return (t**3 - t) / 12.0
    if alpha == -3:
        return -(t**4) * log / 24.0
    return -(t**5 - 5.0 * t**3 + 4.0 * t) / 240.0


def cosine_rest(whole: Array) -> Array:
    """Return the integral of (1 - cos u) / u from 0 to pi times each whole number.

    It is gamma + ln x - Ci(x), here with the auxiliary function g of Ci (NIST DLMF
    6.2.20 and 6.12.4; sin x = 0). `scipy.special` has it, too, but takes half the start
    of a command.
    """
    x = np.pi * np.maximum(whole, 1.0)
    sign = 1.0 - 2.0 * (whole % 2.0)
    inverse2, series = 1.0 / (x * x), np.zeros_like(x)
    for n in range(_TERMS, 0, -1):
        series = (1.0 - series) * inverse2 * (2 * n * (2 * n + 1))
    far = np.euler_gamma + np.log(x) + sign * inverse2 * (1.0 - series)
    near = np.minimum(whole, len(_NEAR) - 1.0).astype(np.int64)
    return np.where(whole < len(_NEAR), _NEAR[near], far)
