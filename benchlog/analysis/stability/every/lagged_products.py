"""Sums of products of values a lag apart, for all lags at once, by Fourier transform.

A transform of N values errs by at most c log2(N) u of the norm of its input, u the unit
roundoff and c a few units: each output is a tree of log2(N) levels, and each level
multiplies by a rounded root of unity and adds (N. J. Higham, Accuracy and Stability of
Numerical Algorithms, 24.1; from memory). A sum of products goes through two transforms
and back through a third, so its error is at most three times that of the product of
both norms, whatever the sum itself is. That is the bound `rounding` gives.
"""

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

UNIT: Final = float(np.finfo(np.float64).eps) / 2.0
"""Unit roundoff of a double; definition."""

# derived: a complex product errs by sqrt(5) u, a root of unity by u, a sum by u
_LEVEL: Final = 2.0 + 5.0**0.5
_LONGER: Final = 4  # our rule: for speed alone; a piece is so many times the reach
_LEAST: Final = 1 << 10  # our rule: for speed alone
_AT_ONCE: Final = 1 << 19  # our rule: for speed alone; values transformed together
# our rule: for speed alone; times a power of two, sizes that transform quickly
_QUICK: Final = (8, 9, 10, 12, 15)


def rounding(size: int) -> float:
    """Return the error of a sum of products over both norms, transforms of `size`."""
    return 3.0 * _LEVEL * math.log2(max(2, size)) * UNIT


def quick_size(least: int) -> int:
    """Return a size of at least `least` that transforms quickly."""
    shift = max(0, (least - 1).bit_length() - 4)
    return next(size for one in (*_QUICK, 16) if (size := one << shift) >= least)


def lagged_sums(values: Array, reach: int) -> tuple[Array, float]:
    """Return the sums of values[j] values[j + l] for l = 0 ... reach, and their error.

    Parameters
    ----------
    values : array, shape (n,)
    reach : int
        The longest lag.

    Returns
    -------
    array of shape (reach + 1,), float
        The bound of the error is the same for every lag.

    """
    size = quick_size(max(_LEAST, min(len(values), _LONGER * reach) + reach))
    step = size - reach
    pieces = -(-len(values) // step)
    padded = np.zeros((pieces - 1) * step + size)
    padded[: len(values)] = values
    windows = np.lib.stride_tricks.sliding_window_view(padded, size)[::step]
    together = max(1, _AT_ONCE // size)
    spectrum = np.zeros(size // 2 + 1, dtype=np.complex128)
    norms = 0.0
    for at in range(0, pieces, together):
        some = windows[at : at + together]
        spectrum += _spectrum(some, step, alone=pieces == 1)
        norms += float(
            np.sqrt(
                np.einsum("ij,ij->i", some[:, :step], some[:, :step])
                * np.einsum("ij,ij->i", some, some)
            ).sum()
        )
    summed = min(pieces, together) + -(-pieces // together)
    error = (rounding(size) + summed * UNIT) * norms
    return np.fft.irfft(spectrum, size)[: reach + 1], error


def _spectrum(windows: Array, step: int, *, alone: bool) -> NDArray[np.complex128]:
    """Return that of the sums of products of the first `step` values with all."""
    own = np.fft.rfft(windows[:, :step], windows.shape[1])
    whole = own if alone else np.fft.rfft(windows)  # alone: zeros follow
    products = np.conjugate(own)
    products *= whole
    return np.asarray(products.sum(axis=0))


def running_totals(values: Array) -> Array:
    """Return the sums of the values before each place and of all, shape (n + 1,).

    Summed in long double, which is one where the computer has none.
    """
    out = np.zeros(len(values) + 1)
    out[1:] = np.cumsum(values, dtype=np.longdouble)
    return out
