"""What differences that reach across a boundary of segments add to a sum of squares.

The data are r + P, P the polynomials of the segments. Differences of P are zero but
where they reach across a boundary t, and there they are those of q(v) from v = 0 on,
v = k - t and q the jump. So the sum of squares is that of r, and twice the sum over v
of (D r)(D q), and that of (D q)^2. Both are linear in what is summed over all
boundaries first: g_i[v], the sum of q_i r[t + v], and the products of q_i and q_j.
"""

from fractions import Fraction
from functools import lru_cache
from itertools import product
from math import comb
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.stability.every.lagged_products import UNIT, running_totals
from benchlog.analysis.stability.every.segments import Remainders

Array = NDArray[np.float64]

_LARGEST: Final = {2: 1.0, 3: 2.0}  # derived: |D v^i| at most, i < order, unit m^i
_ROUNDED: Final = 16.0  # derived: sums and products that a figure here goes through
_SUM_UNIT: Final = float(np.finfo(np.longdouble).eps) / 2.0  # definition


def jump_terms(rest: Remainders, order: int, low: int, top: int) -> tuple[Array, float]:
    """Return what to add to the sums at m = low + 1 ... top, and its error."""
    count, reach = len(rest.jumps), order * top
    if not count:
        return np.zeros(top - low), 0.0
    jumps = rest.jumps * (top / rest.length) ** np.arange(order)
    windows = np.lib.stride_tricks.sliding_window_view(rest.values, 2 * reach)
    near = windows[rest.length - reach :: rest.length][:count]
    nearby, products = jumps.T @ near, jumps.T @ jumps
    share = np.arange(low + 1.0, top + 1.0) / top
    found = 2.0 * _cross(nearby, order, low, top, share)
    found += _own(products, order, top, share)
    error = count * UNIT * _LARGEST[order] * 2.0 ** (order + 1) * _scatter(near, jumps)
    in_order = 2.0 * reach * _SUM_UNIT + _ROUNDED * UNIT
    for i, row in enumerate(nearby):
        error += 2.0 * in_order * _weight_of(order, i) * float(np.abs(row).sum())
    error += (
        _ROUNDED * UNIT * _own(np.abs(products), order, top, np.ones(1), size=True)[0]
    )
    return found, float(error)


def _scatter(near: Array, jumps: Array) -> float:
    """Return the sum over v, i and boundaries of |q_i r[t + v]|, at most."""
    norms = np.sqrt(np.einsum("tv,tv->t", near, near) * near.shape[1])
    return float(np.abs(jumps).sum(axis=1) @ norms)


@lru_cache(maxsize=8)
def _weight_of(order: int, i: int) -> float:
    """Return what a value of g_i counts at most, whichever sums it is in."""
    return float(
        sum(
            order**e * sum(map(abs, _weights(order, i, e).values()))
            for e in range(i + 1)
        )
    )


def signs_of(order: int) -> list[int]:
    """Return the weights of x[k], x[k + m] ... in a difference."""
    return [(-1) ** (order - k) * comb(order, k) for k in range(order + 1)]


def _cross(nearby: Array, order: int, low: int, top: int, share: Array) -> Array:
    """Sum over v < 0 of the differences of g_i times those of v^i, all i together."""
    reach = order * top
    place = (np.arange(2.0 * reach) - reach) / top
    total = np.zeros(top - low)
    for i, row in enumerate(nearby):
        for e in range(i + 1):
            moment = running_totals(row * place**e)
            part = np.zeros(top - low)
            for c, weight in _weights(order, i, e).items():
                first = reach + c * (low + 1)
                last = reach + c * top + (1 if c >= 0 else -1)
                at = slice(first, last if last >= 0 else None, c)
                part += weight * (moment[at] if c else moment[reach])
            total += part * share ** (i - e)
    return total


@lru_cache(maxsize=64)
def _weights(order: int, i: int, e: int) -> dict[int, int]:
    """Return what the sum of u^e g_i[u] over u < c m counts, times m^(i - e).

    Of terms a, b of both differences: v + a m = w from 0 to a m, g at w + (b - a) m.
    """
    signs = signs_of(order)
    found = dict.fromkeys(range(-order, order + 1), 0)
    for a, b in product(range(1, order + 1), range(order + 1)):
        weight = signs[a] * signs[b] * comb(i, e) * (a - b) ** (i - e)
        found[b] += weight
        found[b - a] -= weight
    return {c: weight for c, weight in found.items() if weight}


def _own(
    products: Array, order: int, top: int, share: Array, *, size: bool = False
) -> Array:
    """Sum over v < 0 of the jumps' squared differences; `size`: of all amounts."""
    coefficients = np.zeros(2 * order)
    for i, j in product(range(order), repeat=2):
        for power, one in enumerate(_squared(order, i, j)):
            scale = float(top) ** (power - i - j)
            coefficients[power] += (
                products[i, j] * scale * float(abs(one) if size else one)
            )
    return np.asarray(np.polynomial.polynomial.polyval(share, coefficients))


@lru_cache(maxsize=64)
def _squared(order: int, i: int, j: int) -> tuple[Fraction, ...]:
    """Return the sum over v < 0 of D v^i times D v^j, by powers of m."""
    signs = signs_of(order)
    found = [Fraction(0)] * (i + j + 2)
    for a, b in product(range(1, order + 1), repeat=2):
        low, high, less, more = (a, b, i, j) if a <= b else (b, a, j, i)
        for e in range(more + 1):
            outer = signs[a] * signs[b] * comb(more, e) * (high - low) ** (more - e)
            for power, one in enumerate(_power_sum(less + e)):
                found[power + more - e] += outer * one * low**power
    return tuple(found)


@lru_cache(maxsize=16)
def _power_sum(e: int) -> tuple[Fraction, ...]:
    """Return the sum of w^e over w < n by powers of n: n^(e+1) telescoped."""
    found = [Fraction(0)] * (e + 2)
    found[e + 1] = Fraction(1, e + 1)
    for lower in range(e):
        for power, one in enumerate(_power_sum(lower)):
            found[power] -= Fraction(comb(e + 1, lower), e + 1) * one
    return tuple(found)
