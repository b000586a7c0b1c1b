"""An offset, a slope and a curvature taken off a phase without losing its last digit.

What is taken off has so few digits that its values are exact, and the rounding error of
each subtraction is kept beside and added at the end (T. J. Dekker, Numer. Math. 18
(1971) 224; from memory). What is left errs by half a unit of its own last digit,
however far off and however steep the data were.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_DIGITS: Final = 52  # definition: bits of a double after the leading one
_ROUNDS: Final = 4  # derived: 12 bits of a curvature each time, of a million values


def straightened(phase: Array, degree: int) -> Array:
    """Return the phase without a polynomial of `degree` 1 or 2, about least squares."""
    count = len(phase)
    if count <= degree + 1:
        return np.asarray(phase - phase[0])
    t = np.arange(float(count))
    rest, lost = _less(phase, np.full(count, phase[0]))
    for _ in range(_ROUNDS if degree == 2 else 1):
        for power in range(degree, 0, -1):
            shape = _orthogonal(count, power)
            size = few_digits(
                np.array([rest @ shape / (shape @ t**power)]), t[-1] ** power
            )
            rest, more = _less(rest, size[0] * t**power)
            lost += more
    return np.asarray(rest + lost)


def few_digits(values: Array, largest: float) -> Array:
    """Round values: their products with whole numbers up to `largest` are exact."""
    bits = _DIGITS - int(largest).bit_length()
    mantissa, exponent = np.frexp(values)
    return np.asarray(np.ldexp(np.rint(np.ldexp(mantissa, bits)), exponent - bits))


def _orthogonal(count: int, power: int) -> Array:
    """Return places to a power, orthogonal to what is of lower power."""
    u = (np.arange(float(count)) - (count - 1) / 2.0) / count
    return u if power == 1 else u * u - np.mean(u * u)


def _less(left: Array, right: Array) -> tuple[Array, Array]:
    """Return the difference and what its rounding lost."""
    found = left - right
    back = found - left
    return found, (left - (found - back)) - (right + back)
