"""The distribution of a sum of independent rectangular, t and normal quantities.

All have mean 0. What JCGM 101:2008 does by drawing at random is done here by
quadrature, because a judge asks after every reading:

- a t quantity is a normal one whose variance is uncertain (nu / chi-squared): the sum
  is a mixture of normals over a grid of that variance;
- a normal quantity plus a few rectangular ones has a distribution in closed form;
- rectangular ones that are too small or too many for it count as one and a normal one
  besides, with the same second and fourth cumulants.

tests/verdict/CONVOLUTION.md has the error over 10,000 sums.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from itertools import product
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.distributions import (
    normal_below,
    normal_quantile,
    student_above,
    student_quantile,
)

Array = NDArray[np.float64]
ROOT_3: Final = math.sqrt(3.0)
"""Half width of a rectangular distribution over its standard deviation (JCGM 100:2008,
4.3.7)."""

_ROOT_HALF: Final = math.sqrt(0.5)  # definition
_PHI_0: Final = 1.0 / math.sqrt(2.0 * math.pi)  # definition: normal density at 0
_NORMAL_FROM: Final = 1e4
"""Degrees of freedom from which t counts as normal of the same variance; our rule: the
quantile of 99.98 % differs by 0.01 %."""
_LEFT_OUT: Final = 1e-7  # our rule, held by the table: weight beyond the grid's ends
_STEP: Final = 0.75  # our rule, held by the table: in widths of ln(chi-squared)
_SHOWS: Final = 0.002
"""Sixth cumulant that one rectangle in the place of several misses, over the variance
cubed and 48/7: from here on the largest keeps its own. Our rule, held by the table."""
_SMALL: Final = 1e-8  # of the variance; our rule: a rectangle so small counts as normal
_MOST_OWN: Final = 2  # our rule, held by the table
_FINEST: Final = 1e-5  # of the half width: our rule, narrower normal parts tell nothing
_MOST_NODES: Final = 1024  # our rule: three t quantities are put on a grid anew
_GRID_STEP: Final = 0.1  # of the logarithm of the variance, on that grid; our rule
_NOTHING: Final = 1e-9  # our rule: a probability that changes no digit in print
_FAR: Final = 6.0  # definition: standard deviations that leave `_NOTHING` above them
_CLOSE: Final = 0.03  # our rule, held by the table: the next step is about its square
_USUAL: Final = 0.025  # definition: one side of 95 %
_ROUNDS: Final = 40  # our rule, never reached in the table


class Sum(NamedTuple):
    """What a sum comes down to; the argument of all below, in one unit.

    `half_widths` are of rectangular parts, `sd` of the normal part, `students` are
    (scale, degrees of freedom) of t quantities.
    """

    half_widths: tuple[float, ...]
    sd: float
    students: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Mixture:
    """Normals of several widths plus m rectangles, ready for its tail at any x.

    `inverse_sd` is of the normals; `ends`, a column, are the corners of the rectangles
    and `signs` theirs; a weight of a normal is times s^m (for the density s^(m - 1))
    over the product of the rectangles' widths.
    """

    inverse_sd: Array
    ends: Array
    signs: Array
    tail_weight: Array
    density_weight: Array
    order: int


def sum_of(
    rectangular: Iterable[float],
    normal: Iterable[float],
    students: Iterable[tuple[float, float]],
) -> Sum:
    """Bring a sum to its short form.

    Parameters
    ----------
    rectangular, normal : iterable of float
        Standard deviations.
    students : iterable of (scale, degrees of freedom)
        Scale is s/sqrt(n), not the standard deviation (JCGM 101:2008, 6.4.9).

    """
    kept, sd2 = [], sum([sd * sd for sd in normal])
    for scale, freedom in students:
        if scale > 0.0 and freedom < _NORMAL_FROM:
            kept.append((scale, freedom))
        elif scale > 0.0:
            sd2 += scale * scale * _variance(freedom)
    squares = sorted([sd * sd for sd in rectangular], reverse=True)
    whole = sum(squares) + sd2 + sum([one * one for one, _ in kept])
    while squares and squares[-1] <= _SMALL * whole:
        sd2 += squares.pop()
    if len(squares) < 2:
        widths = [ROOT_3 * math.sqrt(square) for square in squares]
        return Sum(tuple(widths), math.sqrt(sd2), tuple(sorted(kept)))
    shows = _SHOWS * whole**3
    own = 0
    while own < _MOST_OWN and _missed(squares[own:]) > shows:
        own += 1
    one2, rest2 = _one_of(squares[own:])
    widths = [ROOT_3 * math.sqrt(square) for square in (*squares[:own], one2) if square]
    return Sum(tuple(widths), math.sqrt(sd2 + rest2), tuple(sorted(kept)))


def _variance(freedom: float) -> float:
    return 1.0 if math.isinf(freedom) else freedom / (freedom - 2.0)


def _one_of(squares: list[float]) -> tuple[float, float]:
    """Return variances of a rectangle and a normal in the place of some rectangles.

    The fourth cumulant of a rectangle is -1.2 sd^4.
    """
    if len(squares) < 2:
        return sum(squares), 0.0
    one2 = math.sqrt(sum(square * square for square in squares))
    return one2, max(0.0, sum(squares) - one2)


def _missed(squares: list[float]) -> float:
    """Return what `_one_of` misses of the sixth cumulant, over 48/7."""
    if len(squares) < 2:
        return 0.0
    fourth = sum(square * square for square in squares)
    return float(fourth**1.5) - sum(square**3 for square in squares)


def half_interval(of: Sum, probability: float = 0.95) -> float:
    """Return x so that the sum lies within -x and x with this probability."""
    return quantile_above(of, (1.0 - probability) / 2.0)


@lru_cache(maxsize=1024)
def quantile_above(of: Sum, rate: float) -> float:
    """Return the x above which the sum lies with probability `rate`, below one half."""
    widths, sd, students = of
    if not students and not widths:
        return -normal_quantile(rate) * sd
    if not students and not sd and len(widths) == 1:
        return (1.0 - 2.0 * rate) * widths[0]
    if len(students) == 1 and not widths and not sd:
        return students[0][0] * -student_quantile(students[0][1], rate)
    return _searched(of, rate)


def above(of: Sum, x: float) -> float:
    """Return the probability that the sum lies above x."""
    return between(of, x, math.inf)


def between(of: Sum, low: float, high: float) -> float:
    """Return the probability that the sum lies between two bounds, either infinite."""
    widths, sd, students = of
    if not students and not widths:
        if not sd:
            return float(low <= 0.0 <= high)
        return _normal_between(low / sd, high / sd)
    if not students and not sd and len(widths) == 1:
        ends = (min(max(x / widths[0], -1.0), 1.0) for x in (high, low))
        return (next(ends) - next(ends)) / 2.0
    if len(students) == 1 and not widths and not sd:
        scale, freedom = students[0]
        above_low = student_above(freedom, low / scale)
        return above_low - student_above(freedom, high / scale)
    return _mixed_between(of, low, high)


def _normal_between(low: float, high: float) -> float:
    """Return the probability between two values of a standard normal distribution."""
    if low > 0.0:  # where both tails are small
        low, high = -high, -low
    return (math.erfc(-high * _ROOT_HALF) - math.erfc(-low * _ROOT_HALF)) / 2.0


def _mixed_between(of: Sum, low: float, high: float) -> float:
    """Return the difference of two tails; each on the side where it is small."""
    mixture = _mixture(of)
    left, right = (
        0.0 if _is_out_of_reach(of, x) else _tail(mixture, x)[0]
        for x in (abs(low), abs(high))
    )
    left = left if low < 0.0 else 1.0 - left
    return 1.0 - left - (right if high > 0.0 else 1.0 - right)


def _is_out_of_reach(of: Sum, x: float) -> bool:
    """Whether next to nothing lies above x: some part would have to be far out."""
    room = x - math.fsum(of.half_widths)
    parts = len(of.students) + (of.sd > 0.0)
    if room <= _FAR * of.sd * parts:
        return False
    return all(
        student_above(freedom, room / (parts * scale)) < _NOTHING
        for scale, freedom in of.students
    )


# --- rectangles and a mixture of normals


def _searched(of: Sum, rate: float) -> float:
    """Return the quantile by Newton's method on the logarithms of x and of the tail.

    A step that leaves what is known to hold the quantile is halved instead.
    """
    mixture = _mixture(of)
    x, wanted = _guess(of, rate), math.log(rate)
    low, high = 0.0, math.inf
    close = _CLOSE * min(
        1.0, rate / _USUAL
    )  # the farther out, the slower it comes near
    for _ in range(_ROUNDS):
        tail, density = _tail(mixture, x)
        if tail > rate:
            low = x
        else:
            high = x
        coming = low
        if tail > 0.0 and density > 0.0:
            step = (math.log(tail) - wanted) * tail / (density * x)
            coming = x * math.exp(min(max(step, -1.0), 1.0))
        if not low < coming < high:
            coming = (low + high) / 2.0 if high < math.inf else 2.0 * low
        is_close = abs(coming - x) < close * x
        x = coming
        if is_close:
            break
    return x


def _guess(of: Sum, rate: float) -> float:
    """Return about the quantile: root sum of squares of what each part has alone."""
    parts = [scale * student_quantile(nu, rate) for scale, nu in of.students]
    flat = ((1.0 - 2.0 * rate) * width for width in of.half_widths)
    return math.hypot(normal_quantile(rate) * of.sd, *flat, *parts)


def _tail(mixture: _Mixture, x: float) -> tuple[float, float]:
    """Return the probability above x, and the density there.

    L_0 = Q is the tail of the normal distribution, L_1 = phi - z Q its loss function,
    L_m the integral of the one before: m L_m = L_(m-2) - z L_(m-1). The mean of the
    tail over m rectangles is s^m / prod(2 a) times the sum of L_m((x + c) / s) over
    all c = +-a_1 +-a_2 ... with the product of their signs.
    """
    z = (x + mixture.ends) * mixture.inverse_sd
    before, now = _PHI_0 * np.exp(-0.5 * z * z), normal_below(-z)
    for order in range(1, mixture.order + 1):
        before, now = now, before - z * now
        if order > 1:
            now /= order
    tail = mixture.signs @ (now @ mixture.tail_weight)
    return float(tail), float(mixture.signs @ (before @ mixture.density_weight))


@lru_cache(maxsize=64)
def _mixture(of: Sum) -> _Mixture:
    """Return what `_tail` needs of a sum."""
    floor = max((of.sd, *(_FINEST * width for width in of.half_widths)))
    variance, weight = np.array([floor * floor]), np.ones(1)
    for scale, freedom in of.students:
        inverse, share = _inverse_chi_squared(freedom)
        variance = np.add.outer(variance, scale * scale * inverse).ravel()
        weight = np.multiply.outer(weight, share).ravel()
        if len(weight) > _MOST_NODES:
            variance, weight = _on_a_grid(variance, weight)
    sd, order = np.sqrt(variance), len(of.half_widths)
    ends, signs = _corners(of.half_widths)
    scale = math.prod([2.0 * width for width in of.half_widths])
    density_weight = weight * sd ** (order - 1) / scale
    return _Mixture(
        inverse_sd=1.0 / sd,
        ends=ends,
        signs=signs,
        tail_weight=density_weight * sd,
        density_weight=density_weight,
        order=order,
    )


def _corners(widths: tuple[float, ...]) -> tuple[Array, Array]:
    """Return the corners of rectangles, a column, and their signs."""
    if len(widths) == 1:
        return np.array(((-widths[0],), widths)), _SIGNS
    corners = list(product(*(((-a, 1.0), (a, -1.0)) for a in widths)))
    ends = [math.fsum(end for end, _ in corner) for corner in corners]
    signs = [math.prod(sign for _, sign in corner) for corner in corners]
    return np.array(ends)[:, None], np.array(signs)


_SIGNS: Final = np.array((1.0, -1.0))  # definition: of the ends of one rectangle


def _inverse_chi_squared(freedom: float) -> tuple[Array, Array]:
    """Return nu / chi-squared on a grid of its logarithm, with weights.

    The density of l = ln(chi-squared / nu) goes as exp(nu (l - e^l) / 2), smooth and
    fast in its decay: the trapezoidal rule is as good as exact. The ends are where the
    weight beyond is `_LEFT_OUT`.
    """
    half = freedom / 2.0
    reach = -math.log(_LEFT_OUT)
    # l - e^l + 1 = -c: about -sqrt(2c) and ln(1 + c + sqrt(2c)) where it is narrow
    c = reach / half
    low = -(c + 1.0) if c > 1.0 else -math.sqrt(2.0 * c) * (1.0 + c / 3.0)
    high = math.log1p(c + math.sqrt(2.0 * c))
    nodes = 2 + math.ceil((high - low) * math.sqrt(half) / _STEP)
    level = high + (low - high) * _unit_grid(nodes)
    weight = np.exp(half * (level - np.exp(level) + 1.0))
    return np.exp(-level), weight / weight.sum()


@lru_cache(maxsize=128)
def _unit_grid(nodes: int) -> Array:
    return np.linspace(0.0, 1.0, nodes)


def _on_a_grid(variance: Array, weight: Array) -> tuple[Array, Array]:
    """Put a mixture on an even grid of the variance's logarithm, in proportion."""
    level = np.log(variance)
    low = float(level.min())
    at = (level - low) / _GRID_STEP
    left = at.astype(np.int64)
    part = at - left
    cells = int(left.max()) + 2
    put = np.bincount(left, weight * (1.0 - part), cells)
    put += np.bincount(left + 1, weight * part, cells)
    return np.exp(low + _GRID_STEP * np.arange(cells)), put.astype(np.float64)
