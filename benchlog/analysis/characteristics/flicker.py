"""How far flicker FM takes a device from one turn to a later one.

Two means over T each, begun r T apart, differ by a variance of `2 b g(r)`, where `b` is
the Allan variance of flicker FM. Its phase has the generalised covariance t^2 ln t, and
the second difference of that is

    g(r) = ((r + 1)^2 ln(r + 1) + (r - 1)^2 ln|r - 1| - 2 r^2 ln r) / (4 ln 2)

with g(0) = 0 and g(1) = 1, which is the definition of the Allan variance. Far apart g
grows as the logarithm, `(2 ln r + 3) / (4 ln 2)`: 2.1 at r = 4, 7.2 at 5,000. From
S_y(f) = h / f (IEEE Std 1139; NIST SP 1065, power-law noise).
"""

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
_FAR: Final = 1e4
"""Derived: from there on the logarithm is right to nine digits, differences are not."""


def flicker_growth(turns: Array) -> Array:
    """Return g of how many lengths of a turn two turns are apart; any shape."""
    apart = np.abs(turns)
    far = np.log(np.maximum(apart, 1.0)) * 2 + 3
    near = _squared_log(apart + 1) + _squared_log(apart - 1) - 2 * _squared_log(apart)
    return np.asarray(np.where(apart > _FAR, far, near) / (4 * math.log(2)), np.float64)


def _squared_log(x: Array) -> Array:
    """Return x^2 ln|x|, 0 at 0."""
    size = np.abs(x)
    return size**2 * np.log(np.where(size > 0, size, 1.0))
