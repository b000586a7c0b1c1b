"""Charts in plain text, for results that are printed: braille dots, labelled ends."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.plotting.braille import ACROSS, DOWN, cells
from benchlog.units import as_stated

Array = NDArray[np.float64]
_TIE: Final = 1e-9  # our rule: of a dot; far above rounding, far below what one sees


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartShape:
    """How a chart is drawn: cells across and down, and whether axes are logarithmic."""

    width: int = 64
    height: int = 14
    log: bool = False
    x_unit: str = ""
    y_unit: str = ""


def text_chart(layers: Sequence[tuple[Array, Array]], chart: ChartShape) -> str:
    """Return lines that show points of all layers over common axes.

    Each layer is x and y of equal length; points that an axis cannot hold (not finite,
    not above zero on a logarithmic axis) are left out. Empty when nothing is left.
    """
    points = [_usable(np.asarray(x), np.asarray(y), chart.log) for x, y in layers]
    x = np.concatenate([one[0] for one in points])
    y = np.concatenate([one[1] for one in points])
    if not len(x):
        return ""
    x_low, x_high = _ends(x)
    y_low, y_high = _ends(y)
    dot = np.zeros((DOWN * chart.height, ACROSS * chart.width), np.bool_)
    across = _places((x - x_low) / (x_high - x_low), dot.shape[1])
    down = _places((y_high - y) / (y_high - y_low), dot.shape[0])
    dot[down, across] = True
    labels = (_number(y_high, chart.log), _number(y_low, chart.log))
    return _framed(cells(dot), labels, (x_low, x_high), chart)


def lettered_chart(marks: Sequence[tuple[float, float, str]], chart: ChartShape) -> str:
    """Return lines that show each (x, y, character) over common axes.

    `*` where different ones meet. What an axis cannot hold is left out; empty when
    nothing is left.
    """
    x, y = (np.array([mark[k] for mark in marks], dtype=np.float64) for k in (0, 1))
    good = np.isfinite(x) & np.isfinite(y)
    good &= (x > 0) & (y > 0) if chart.log else True
    if not good.any():
        return ""
    x, y = (np.log10(v[good]) if chart.log else v[good] for v in (x, y))
    kept = [mark[2] for mark, keep in zip(marks, good, strict=True) if keep]
    x_ends, (y_low, y_high) = _ends(x), _ends(y)
    across = _places((x - x_ends[0]) / (x_ends[1] - x_ends[0]), chart.width)
    down = _places((y_high - y) / (y_high - y_low), chart.height)
    cells_of = [[" "] * chart.width for _ in range(chart.height)]
    for column, row, mark in zip(across, down, kept, strict=True):
        before = cells_of[row][column]
        cells_of[row][column] = mark if before in (" ", mark) else "*"
    labels = (_number(y_high, chart.log), _number(y_low, chart.log))
    return _framed(["".join(line) for line in cells_of], labels, x_ends, chart)


def _places(share: Array, count: int) -> NDArray[np.int64]:
    """Return which of `count` places shares of an axis fall on, the lower in a tie.

    In the middle of octaves there are ties: last bits of a logarithm, which processors
    do not agree on, must not move a dot.
    """
    return np.rint(share * (count - 1) - _TIE).astype(np.int64)


def _framed(
    lines: list[str],
    labels: tuple[str, str],
    x_ends: tuple[float, float],
    chart: ChartShape,
) -> str:
    room = max(len(label) for label in labels)
    heads = [labels[0]] + [""] * (len(lines) - 2) + [labels[1]]
    framed = [f"{h:>{room}} |{line}" for h, line in zip(heads, lines, strict=True)]
    left = _number(x_ends[0], chart.log)
    right = f"{_number(x_ends[1], chart.log)} {chart.x_unit}".rstrip()
    foot = f"{'':>{room}} +{'-' * chart.width}"
    under = f"{'':>{room}}  {left}{right:>{max(1, chart.width - len(left))}}"
    head = [f"{'':>{room}}  {chart.y_unit}"] if chart.y_unit else []
    return "\n".join(line.rstrip() for line in [*head, *framed, foot, under])


def _usable(x: Array, y: Array, log: bool) -> tuple[Array, Array]:
    good = np.isfinite(x) & np.isfinite(y)
    if not log:
        return x[good], y[good]
    good &= (x > 0) & (y > 0)
    return np.log10(x[good]), np.log10(y[good])


def _ends(values: Array) -> tuple[float, float]:
    low, high = float(values.min()), float(values.max())
    if high > low:
        return low, high
    return low - 0.5, high + 0.5


def _number(value: float, log: bool) -> str:
    return as_stated(float(f"{10**value:.3g}" if log else f"{value:.4g}"))
