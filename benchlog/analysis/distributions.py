"""Tails and quantiles of the normal, t, chi-squared, binomial and F distributions.

Our own, of numpy and `math` alone: importing `scipy.special` takes as long as all else
that a command about a short run does. A test holds them to SciPy over degrees of
freedom from 0.1 to 1e9 and tails to 1e-12.

A tail is C e^-g(l) I, with l a variable in which the density C e^-g is log-concave, and
I the integral of e^-(g(l + v) - g(l)) over all v > 0. That is 1 at v = 0 and falls from
there on, so a sum over one grid of v does for every distribution. The derivative of the
tail's logarithm is -1/I, and Newton's method on it converges from anywhere.
"""

import math
from collections.abc import Callable
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_ROOT_HALF: Final = math.sqrt(0.5)  # definition
_NORMAL_FROM: Final = 1e17
"""Degrees of freedom from which t is normal; derived: by 1 / freedom of a quantile."""
_STEP: Final = 1.0 / 32.0  # our rule, held by the test: of the grid below
_GRID: Final = np.arange(-3.75, 5.4, _STEP)
"""Our rule, held by the test: beyond its ends nothing is left of an integral."""
_AT: Final = np.exp(_GRID - np.exp(-_GRID))
"""v = exp(t - exp(-t)): the trapezoidal rule in t is as good as exact for what falls
exponentially (H. Takahasi, M. Mori, Publ. RIMS 9 (1974) 721)."""
_WEIGHT: Final = _STEP * _AT * (1.0 + np.exp(-_GRID))  # derived: dv/dt of that
_STIRLING: Final = (1 / 12, -1 / 360, 1 / 1260, -1 / 1680, 1 / 1188, -691 / 360360)
"""Coefficients of Stirling's series (NIST DLMF 5.11.1)."""
_STIRLING_FROM: Final = 16.0  # our rule: from here on the series leaves out 1e-16
_FARTHEST: Final = 350.0  # derived: the square of its sinh is still a double
_CLOSE: Final = 1e-5  # derived: Halley's next step is about its cube
_ROUNDS: Final = 60  # our rule, never reached in the test


# --- normal


def normal_below(z: Array) -> Array:
    """Return the probability below each z of a standard normal distribution."""
    each = (-_ROOT_HALF * z).ravel().tolist()
    return np.array([0.5 * math.erfc(one) for one in each]).reshape(z.shape)


def normal_quantile(below: float) -> float:
    """Return the value below which a standard normal one lies with a probability."""
    if below > 0.5:
        return _normal_above(1.0 - below)
    return -_normal_above(below) + 0.0


@lru_cache(maxsize=256)
def _normal_above(rate: float) -> float:
    """Return the z above which lies `rate`, at most one half, by Halley's method."""
    if not 0.0 < rate <= 0.5:
        return math.inf if rate == 0.0 else math.nan
    wanted = math.log(rate)
    z = math.sqrt(max(0.0, -2.0 * wanted - math.log(4.0)))
    for _ in range(_ROUNDS):
        tail = 0.5 * math.erfc(z * _ROOT_HALF)
        mills = tail * math.sqrt(2.0 * math.pi) * math.exp(0.5 * z * z)
        off = math.log(tail) - wanted
        z += _halley(off, mills, z)
        if abs(off) < _CLOSE:
            break
    return z


# --- Student


def student_above(freedom: float, t: float) -> float:
    """Return the probability above t of a t distribution."""
    if not freedom > 0.0:
        return math.nan
    if t < 0.0:
        return 1.0 - student_above(freedom, -t)
    if freedom >= _NORMAL_FROM:
        return 0.5 * math.erfc(t * _ROOT_HALF)
    if math.isinf(t):
        return 0.0
    log_tail, _, _ = _student_tail(freedom, math.asinh(t / math.sqrt(freedom)))
    return math.exp(log_tail)


def student_quantile(freedom: float, below: float) -> float:
    """Return the value below which a t one lies with a probability.

    The error is at most 1e-13 of the value, or of 1 where that is more; with less than
    one degree of freedom as many times that as it goes into one. NaN where there are
    none.
    """
    if not freedom > 0.0:
        return math.nan
    if freedom >= _NORMAL_FROM:
        return normal_quantile(below)
    if below > 0.5:
        return _student_above(freedom, 1.0 - below)
    return -_student_above(freedom, below) + 0.0


@lru_cache(maxsize=4096)
def _student_above(freedom: float, rate: float) -> float:
    """Return the t above which lies `rate`, at most one half.

    Begun where sqrt(freedom ln(1 + t^2 / freedom)) is nearly normal (D. L. Wallace,
    Ann. Math. Statist. 30 (1959) 1124).
    """
    if not 0.0 < rate < 0.5:
        return {0.0: math.inf, 0.5: 0.0}.get(rate, math.nan)
    z = _normal_above(rate) * (8.0 * freedom + 3.0) / (8.0 * freedom + 1.0)
    y = 0.5 * z * z / freedom
    at = y + math.log1p(math.sqrt(-math.expm1(-2.0 * y)))
    at = _solved(lambda s: _student_tail(freedom, s), math.log(rate), at)
    return math.sqrt(freedom) * math.sinh(at)


def _student_tail(freedom: float, s: float) -> tuple[float, float, float]:
    """Return ln of the tail above t = sqrt(freedom) sinh(s), I and g' there.

    The density of s goes as cosh(s)^-freedom, and cosh(s + v) / cosh(s) is
    cosh(v) + tanh(s) sinh(v).
    """
    lean = math.tanh(s)
    slope = freedom * lean
    v = _AT / (slope + math.sqrt(freedom * max(0.0, 1.0 - lean * lean)))
    half = np.sinh(np.minimum(0.5 * v, _FARTHEST))
    grown = np.log1p(2.0 * half * (half + lean * np.sqrt(1.0 + half * half)))
    whole = float(_WEIGHT @ np.exp(-freedom * grown)) * float(v[0] / _AT[0])
    log_tail = student_scale(freedom) - freedom * _log_cosh(s) + math.log(whole)
    return log_tail, whole, slope


@lru_cache(maxsize=1024)
def student_scale(freedom: float) -> float:
    """Return ln of Gamma((freedom + 1) / 2) / Gamma(freedom / 2) / sqrt(pi)."""
    a = 0.5 * freedom
    between = a * math.log1p(0.5 / a) - 0.5
    rest = _stirling_rest(a + 0.5) - _stirling_rest(a)
    return 0.5 * math.log(a / math.pi) + between + rest


def _log_cosh(s: float) -> float:
    if s < 1.0:
        return 0.5 * math.log1p(math.sinh(s) ** 2)
    return s + math.log1p(math.exp(-2.0 * s)) - math.log(2.0)


# --- chi-squared


def chi_squared_above(freedom: float, x: float) -> float:
    """Return the probability above x of a chi-squared distribution."""
    if not freedom > 0.0:
        return math.nan
    if x <= 0.0:
        return 1.0
    level = math.log(x / freedom)
    if level >= 0.0:
        return math.exp(_chi_squared_tail(0.5 * freedom, level, 1.0)[0])
    return -math.expm1(_chi_squared_tail(0.5 * freedom, level, -1.0)[0])


@lru_cache(maxsize=4096)
def chi_squared_quantile(freedom: float, above: float) -> float:
    """Return the value above which a chi-squared one lies with a probability.

    The error is at most 1e-13 of the value; with less than one degree of freedom as
    many times that as it goes into one. NaN where there are none.
    """
    if not (freedom > 0.0 and 0.0 <= above <= 1.0):
        return math.nan
    if above in (0.0, 1.0):
        return math.inf if above == 0.0 else 0.0
    a = 0.5 * freedom
    at = _begun(a, above)
    side = 1.0 if at >= 0.0 else -1.0
    wanted = math.log(above) if side > 0.0 else math.log1p(-above)
    along = _solved(
        lambda one: _chi_squared_tail(a, side * one, side), wanted, side * at
    )
    return freedom * math.exp(side * along)


def _begun(a: float, above: float) -> float:
    """Return about ln of a chi-squared quantile over its degrees of freedom, 2a."""
    ninth = 1.0 / (9.0 * a)  # E. B. Wilson, M. M. Hilferty, PNAS 17 (1931) 684
    cube = 1.0 - ninth - normal_quantile(above) * math.sqrt(ninth)
    if cube > 0.2:  # our rule: below, the first term of a series is nearer
        return 3.0 * math.log(cube)
    # NIST DLMF 8.7.1: P is about (x / 2)^a / Gamma(a + 1)
    return (math.log1p(-above) + math.lgamma(a + 1.0)) / a - math.log(a)


def _chi_squared_tail(
    a: float, level: float, side: float
) -> tuple[float, float, float]:
    """Return ln of a tail of chi-squared with 2a degrees of freedom, I and g'.

    The tail is above x = 2a e^level where `side` is 1, and below it where it is -1.
    The density of the level goes as exp(-a (e^level - 1 - level)).
    """
    share = math.exp(level)
    slope = side * a * math.expm1(level)
    v = _AT / (abs(slope) + math.sqrt(a * share))
    with np.errstate(over="ignore"):
        grown = a * (share * np.expm1(side * v) - side * v)
    whole = float(_WEIGHT @ np.exp(-grown)) * float(v[0] / _AT[0])
    scale = 0.5 * math.log(a / (2.0 * math.pi)) - _stirling_rest(a)
    return scale - a * _exp_rest(level) + math.log(whole), whole, slope


def _exp_rest(level: float) -> float:
    """Return e^level - 1 - level."""
    if abs(level) > 0.1:
        return math.expm1(level) - level
    term = rest = 0.5 * level * level
    for k in range(3, 12):
        term *= level / k
        rest += term
    return rest


# --- binomial and F


def binomial_at_least(least: int, of: int, probability: float) -> float:
    """Return how probable it is that at least so many of some come true."""
    if least <= 0:
        return 1.0
    if least > of:
        return 0.0
    # NIST DLMF 8.17.5
    return _beta_below(least, of - least + 1.0, probability, 1.0 - probability)


def f_above(freedom: float, under: float, ratio: float) -> float:
    """Return the probability above a ratio of an F distribution.

    `freedom` is of the mean square on top, `under` of that below it.
    """
    whole = freedom * ratio + under  # M. Abramowitz, I. A. Stegun, 26.6.2
    x, rest = under / whole, freedom * ratio / whole
    return _beta_below(0.5 * under, 0.5 * freedom, x, rest)


def _beta_below(a: float, b: float, x: float, rest: float) -> float:
    """Return the probability below x of a beta distribution; `rest` is 1 - x.

    The density of l = ln(x / (1 - x)) goes as e^(a l) / (1 + e^l)^(a + b).
    """
    if x <= 0.0 or rest <= 0.0:
        return float(rest <= 0.0)
    n = a + b
    if a < n * x:
        return 1.0 - _beta_below(b, a, rest, x)
    v = _AT / (a - n * x + math.sqrt(n * x * rest))
    grown = a * v + n * np.log1p(x * np.expm1(-v))
    whole = float(_WEIGHT @ np.exp(-grown)) * float(v[0] / _AT[0])
    e = n * rest - b if rest < x else a - n * x
    off = -a * math.log1p(-e / a) - b * math.log1p(e / b)
    left = _stirling_rest(n) - _stirling_rest(a) - _stirling_rest(b)
    return math.sqrt(a * b / (2.0 * math.pi * n)) * math.exp(left - off) * whole


# --- what they have in common


def _solved(
    tail_at: Callable[[float], tuple[float, float, float]], wanted: float, at: float
) -> float:
    """Return where the logarithm of a falling tail has a value."""
    for _ in range(_ROUNDS):
        log_tail, whole, slope = tail_at(at)
        off = log_tail - wanted
        at += _halley(off, whole, slope)
        if abs(off) < _CLOSE:
            break
    return at


def _halley(off: float, whole: float, slope: float) -> float:
    """Return the step from where ln of a tail is `off` too high, its I and g' known.

    Far to the right, where Halley's step might turn round, it is Newton's.
    """
    bend = 1.0 + 0.5 * off * (1.0 - slope * whole)
    return off * whole / (bend if off > -1.0 else 1.0)


@lru_cache(maxsize=4096)
def _stirling_rest(a: float) -> float:
    """Return ln Gamma(a) less Stirling's (a - 1/2) ln a - a + ln(2 pi) / 2."""
    if a >= _STIRLING_FROM:
        inverse2 = 1.0 / (a * a)
        rest = 0.0
        for coefficient in reversed(_STIRLING):
            rest = rest * inverse2 + coefficient
        return rest / a
    return math.lgamma(a) - ((a - 0.5) * math.log(a) - a + 0.5 * math.log(2 * math.pi))
