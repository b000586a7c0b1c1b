"""Columns of numbers as texts, thousands at once, each with what follows it.

orjson writes the shortest decimal that gives the same float again, as Python does
(`repr`), in a fifth of the time. Beyond the bounds below the two write powers of ten
otherwise; there Python does it.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

_LEAST: Final = 1e-4
"""Python writes smaller numbers with a power of ten, in `repr` and in `.9g`."""
_BEYOND: Final = 1e16
"""Likewise from here on (`float_repr_style` "short": sixteen digits)."""
_DIGITS: Final = 9
_BEYOND_NINE: Final = 1e9
_TENS: Final = np.array([float(f"1e{power}") for power in range(16)])
_TIE: Final = 1e-5
"""Derived: a scaled number below 1e9 is off by at most 3 parts in 2^53, which is 3e-7.
Nearer than this to a half, Python decides which way to round."""

Real = NDArray[np.float64]
Whole = NDArray[np.int64]


def whole_texts(values: Whole, behind: str = "") -> list[str]:
    """Return whole numbers, at least one, as Python writes them."""
    return _split(values.tolist(), behind)


def float_texts(values: Real, behind: str = "", none: str = "nan") -> list[str]:
    """Return floats, at least one, as Python writes them, and `none` for NaN."""
    size = np.abs(values)
    alike = ((size >= _LEAST) & (size < _BEYOND)) | (size == 0)
    texts = _split(np.where(alike, values, 0.0).tolist(), behind)
    for at in np.flatnonzero(~alike).tolist():
        value = float(values[at])
        texts[at] = (repr(value) if value == value else none) + behind  # noqa: PLR0124 - NaN
    return texts


def nine_digit_texts(values: Real, behind: str = "") -> list[str]:
    """Return floats, at least one, as the format `.9g` writes them."""
    size = np.abs(values)
    alike = (size >= _LEAST) & (size < _BEYOND_NINE)
    safe = np.where(alike, values, 1.0)
    before = np.floor(np.log10(np.abs(safe))).astype(np.int64) + 1
    before = np.minimum(before, _DIGITS)  # the logarithm of one below 1e9 may be nine
    # powers of ten up to 1e22 are exact, so that a quotient is the float nearest to it
    scale = _TENS[_DIGITS - before]
    scaled = safe * scale
    near = np.rint(scaled)
    alike &= np.abs(np.abs(scaled - near) - 0.5) > _TIE
    rounded = near / scale
    alike &= rounded != np.rint(rounded)  # Python leaves the point out
    texts = _split(rounded.tolist(), behind)
    for at in np.flatnonzero(~alike).tolist():
        texts[at] = f"{float(values[at]):.9g}{behind}"
    return texts


def _split(numbers: list[int] | list[float], behind: str) -> list[str]:
    """Return what an array of JSON holds, number by number."""
    import orjson  # noqa: PLC0415 - of all exports, texts alone need it

    text = orjson.dumps(numbers)[1:-1].decode("ascii")
    if not behind:
        return text.split(",")
    return f"{text},".replace(",", f"{behind}\0").split("\0")[:-1]
