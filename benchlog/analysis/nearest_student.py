"""The Student distribution nearest to a mixture of them.

It is to be right where somebody decides by it: at 95 %, which U states, and in the
tail, of which an early look takes its guard. By the 68 % bound instead, the tail under
white FM came out 3.5 times too wide, and under white PM half as wide as it is.
"""

import math
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.distributions import student_quantile, student_scale

Array = NDArray[np.float64]

_GRID_STEP: Final = 0.05  # of ln u; our rule: 5 %
# steps to each side of the centre; our rule: a factor of 400 each way
_GRID: Final = 120
_CELLS: Final = 2 * _GRID + 1  # definition
_NOTHING: Final = 1e-15  # our rule: weight of a cell that changes no digit of a double
_INVERSE: Final = (1.0 / 400.0, 1.0 / 8.0)  # our rule: of freedom, see `_series`
_ORDERS: Final = np.arange(18)  # our rule: of that series
# our rule: beyond 400 a t distribution is normal
_FREEDOM: Final = np.geomspace(1.0, 400.0, 400)
# our rule: 95 %, definition of U, and what one of 15 early looks may err on both sides
_PROBABILITIES: Final = (0.95, 0.9997)
_GAUSS: Final = np.polynomial.legendre.leggauss(5)
"""Our rule: enough within a cell of `_GRID_STEP` for all digits of a double."""


def as_student(weight: Array, log_u: Array, freedom: Array) -> tuple[Array, Array]:
    """Replace a mixture of Student distributions by the nearest single one.

    It holds as much as the mixture within the mixture's 95 % and 99.97 % bounds.

    Parameters
    ----------
    weight, log_u : array, shape (runs, shapes)
        Weights, one in sum, and ln of the scales.
    freedom : array, shape (runs,)
        Degrees of freedom, the same for all of a run.

    Returns scales and degrees of freedom, shape (runs,) each.

    """
    centre = (weight * log_u).sum(axis=1)
    at = np.rint((log_u - centre[:, None]) / _GRID_STEP).astype(np.int64)
    at = np.minimum(np.maximum(at, -_GRID), _GRID) + _GRID
    at += _CELLS * np.arange(len(weight))[:, None]
    flat = np.bincount(at.ravel(), weight.ravel(), _CELLS * len(weight))
    mass = flat.reshape(len(weight), _CELLS).astype(np.float64)
    bounds = [_bounds(row, nu) for row, nu in zip(mass, freedom.tolist(), strict=True)]
    half, far = np.exp(np.array(bounds).T + centre)
    found = np.array([_of_ratio(one) for one in (far / half).tolist()])
    usual = [student_quantile(nu, 0.975) for nu in found.tolist()]
    return half / np.array(usual), found


def _of_ratio(ratio: float) -> float:
    """Return the degrees of freedom whose bounds have this ratio.

    Interpolated between those of `_FREEDOM`; what lies beyond them is the last one.
    """
    low, high = 0, len(_FREEDOM) - 1
    if not _tail_ratio(high) < ratio < _tail_ratio(low):
        return float(_FREEDOM[low if ratio >= _tail_ratio(low) else high])
    while high - low > 1:
        middle = (low + high) // 2
        if _tail_ratio(middle) > ratio:
            low = middle
        else:
            high = middle
    slope = (_FREEDOM[low] - _FREEDOM[high]) / (_tail_ratio(low) - _tail_ratio(high))
    return float(slope * (ratio - _tail_ratio(high)) + _FREEDOM[high])


@lru_cache(maxsize=len(_FREEDOM))
def _tail_ratio(at: int) -> float:
    """Return the one bound over the other, of one of `_FREEDOM`; it falls with them."""
    freedom = float(_FREEDOM[at])
    return student_quantile(freedom, 0.99985) / student_quantile(freedom, 0.975)


def _bounds(mass: Array, freedom: float) -> list[float]:
    """Return ln of the half-widths that hold 95 % and 99.97 % of the mixture.

    `mass` is the weight of each cell of the grid of ln u. What it holds is worked out
    from just below the cells that have any to where the widest of them holds 99.97 %.
    """
    there = np.flatnonzero(mass > _NOTHING)
    first, last = int(there[0]), int(there[-1])
    room = math.ceil(math.log(student_quantile(freedom, 0.99985)) / _GRID_STEP)
    low, high = max(first - 1, 0), min(last + room + 1, _CELLS - 1)
    needed = _within(freedom)[low + 2 * _GRID - last : high + 2 * _GRID - first + 1]
    held = np.convolve(mass[first : last + 1], needed, mode="valid")
    grid = (np.arange(low, high + 1) - _GRID) * _GRID_STEP
    return [float(np.interp(p, held, grid)) for p in _PROBABILITIES]


def _within(freedom: float) -> Array:
    """Return what a Student distribution holds within half-widths on twice the grid."""
    if not _INVERSE[0] <= 1.0 / freedom <= _INVERSE[1]:
        return _held_by(freedom)
    low, high = _INVERSE
    at = (2.0 / freedom - low - high) / (high - low)
    orders = np.cos(_ORDERS * math.acos(min(max(at, -1.0), 1.0)))
    return np.asarray(orders @ _series())


def _held_by(freedom: float) -> Array:
    """Add the density up from cell to cell; in the first it is as at zero."""
    edges = np.arange(-2 * _GRID, 2 * _GRID) * _GRID_STEP
    x, weight = _GAUSS
    t = np.exp(edges[:, None] + (x + 1.0) * (_GRID_STEP / 2.0))
    density = (1.0 + t * t / freedom) ** (-(freedom + 1.0) / 2.0)
    each = np.concatenate(
        ((math.exp(edges[0]),), (density * t) @ weight * (_GRID_STEP / 2.0))
    )
    scale = 2.0 * math.exp(student_scale(freedom)) / math.sqrt(freedom)
    return np.asarray(np.minimum(scale * np.cumsum(each), 1.0))


@lru_cache(maxsize=1)
def _series() -> Array:
    """Return `_held_by` as Chebyshev series in 1/freedom, shape (orders, half-widths).

    Ten times as fast, right to 1e-13.
    """
    low, high = _INVERSE
    angles = (_ORDERS + 0.5) * (math.pi / len(_ORDERS))
    nodes = (low + high + (high - low) * np.cos(angles)) / 2.0
    values = np.array([_held_by(1.0 / node) for node in nodes])
    found = 2.0 / len(_ORDERS) * np.cos(np.outer(_ORDERS, angles)) @ values
    found[0] /= 2.0
    return np.asarray(found)
