"""Sums over long arrays, in blocks that stay in the cache."""

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

BLOCK: Final = 8192
"""Values per block: three of them fit the second-level cache, and a dot product this
short is never handed to threads, which costs more than it brings."""


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
