"""Sums over long arrays, in blocks that stay in the cache."""

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

BLOCK: Final = 8192  # our rule: for speed alone
"""Values per block: three of them fit the second-level cache, and a dot product this
short is never handed to threads, which costs more than it brings."""

_ROW: Final = 16  # our rule: for speed alone
_ADDED_UP: Final = np.triu(np.ones((_ROW, _ROW)))


def sum_squares(values: Array) -> float:
    """Sum of squares of a contiguous array."""
    return product_sum(values, values)


def product_sum(left: Array, right: Array) -> float:
    """Sum of products of two contiguous arrays of equal length."""
    if len(left) <= BLOCK:
        return float(left @ right)
    return math.fsum(
        float(left[at : at + BLOCK] @ right[at : at + BLOCK])
        for at in range(0, len(left), BLOCK)
    )


def running_sum(values: Array) -> Array:
    """Return the running sum of a contiguous array; `values` is used up.

    `np.cumsum` waits for one addition after another. Here only the totals of rows of 16
    are summed like that; within the rows a product with a triangle of ones does it.
    """
    whole = len(values) - len(values) % _ROW
    out = np.empty_like(values)
    rows = values[:whole].reshape(-1, _ROW)
    totals = rows @ _ADDED_UP[:, -1]
    np.cumsum(totals, out=totals)
    rows[1:, 0] += totals[:-1]
    np.matmul(rows, _ADDED_UP, out=out[:whole].reshape(-1, _ROW))
    if whole < len(values):
        values[whole] += totals[-1] if whole else 0.0
        np.cumsum(values[whole:], out=out[whole:])
    return out


def all_finite(values: Array) -> bool:
    """Whether there is neither NaN nor infinity; False also when the sum overflows."""
    with np.errstate(all="ignore"):
        return math.isfinite(float(values.sum()))
