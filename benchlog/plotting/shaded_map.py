"""A map in plain text: a row for each averaging time, shaded by how far from usual."""

from collections.abc import Sequence
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.units import as_stated, three_digits

Array = NDArray[np.float64]

# our rule: about halves and doubles, where chance seldom comes in one window
BOUNDS: Final = (0.7, 1.4, 2.0, 4.0)
_SHADES: Final = "·░▒▓█"
_UNKNOWN: Final = " "


def usual(values: Array) -> Array:
    """Return the median of each row, shape (K,); NaN where it has no value."""
    there = ~np.isnan(values)
    return np.array(
        [
            np.median(row[known]) if known.any() else np.nan
            for row, known in zip(values, there, strict=True)
        ]
    )


def shaded_map(
    values: Array, heads: Sequence[str], ends: tuple[str, str], unit: str
) -> str:
    """Return lines of the map, the last row of `values` at the top.

    Parameters
    ----------
    values : array, shape (K, W)
        NaN where nothing is known.
    heads : sequence of str
        What each row is called.
    ends : (str, str)
        What the first and the last column are called.
    unit : str
        The head of the rows' names.

    """
    typical = usual(values)
    width = values.shape[1]
    room = max(len(unit), *(len(head) for head in heads))
    lines = [f"{unit:>{room}}  {'':<{width}}  usual"]
    for head, row, middle in list(zip(heads, values, typical, strict=True))[::-1]:
        said = "-" if np.isnan(middle) else three_digits(middle, powers=True)
        lines.append(f"{head:>{room}} |{_shaded(row / middle)}| {said}")
    gap = max(1, width - len(ends[0]) - len(ends[1]))
    lines.append(f"{'':>{room}} +{'-' * width}+")
    lines.append(f"{'':>{room}}  {ends[0]}{'':>{gap}}{ends[1]}")
    return "\n".join(line.rstrip() for line in lines)


def shades_text() -> str:
    """Return what the shades mean."""
    between = [
        f"{as_stated(a)} to {as_stated(b)} {s}"
        for (a, b), s in zip(pairwise(BOUNDS), _SHADES[1:-1], strict=True)
    ]
    return (
        f"times the usual of each row: below {as_stated(BOUNDS[0])} {_SHADES[0]}, "
        f"{', '.join(between)}, above {as_stated(BOUNDS[-1])} {_SHADES[-1]}"
    )


def _shaded(ratios: Array) -> str:
    return "".join(
        _UNKNOWN if np.isnan(ratio) else _SHADES[int(np.searchsorted(BOUNDS, ratio))]
        for ratio in ratios
    )
