"""Seeded power-law noise with a known Allan variance, many runs at once."""

from functools import cache
from itertools import accumulate

import numpy as np

KINDS = ("white PM", "white FM", "flicker FM", "random-walk FM")


def make(kind, rng, runs, n):
    """Return frequency values, shape (runs, n)."""
    if kind == "white PM":
        return np.diff(rng.standard_normal((runs, n + 1)), axis=1)
    if kind == "flicker PM":
        return np.diff(_flicker(rng, runs, n + 1), axis=1)
    if kind == "white FM":
        return rng.standard_normal((runs, n))
    if kind == "flicker FM":
        return _flicker(rng, runs, n)
    return np.cumsum(rng.standard_normal((runs, n)), axis=1)


def _length(n):
    return 1 << int(np.ceil(np.log2(8 * n)))


def _flicker(rng, runs, n):
    """S_y proportional to 1/f down to an eighth of the data's own lowest frequency."""
    size = _length(n)
    f = np.arange(1, size // 2 + 1) / size
    spectrum = np.zeros((runs, size // 2 + 1), dtype=complex)
    spectrum[:, 1:] = rng.standard_normal((runs, size // 2)) * f**-0.5
    spectrum[:, 1:] += 1j * rng.standard_normal((runs, size // 2)) * f**-0.5
    return np.fft.irfft(spectrum, size, axis=1)[:, :n] * np.sqrt(size) / 2


def lingering(share, white):
    """Return values of which a share stays in the next one, made of white noise."""
    return np.array(list(accumulate(white.tolist(), lambda y, x: x + share * y)))


@cache
def allan_variance(kind, m, n):
    """Return the true Allan variance at m of what `make` returns."""
    if kind == "white PM":
        return 3.0 / m**2
    if kind == "white FM":
        return 1.0 / m
    if kind == "random-walk FM":
        return (2 * m * m + 1) / (6.0 * m)
    size = _length(n)
    f = np.arange(1, size // 2) / size
    gain = 4 * np.sin(np.pi * f * m) ** 4 / (m * np.sin(np.pi * f)) ** 2
    return 0.5 * np.sum(gain / f / size)
