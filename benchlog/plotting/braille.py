"""Drawing a trace in braille dots: two dots a cell across, four down. Pure numpy."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.plotting.axis_ticks import Axis, TimeAxis
from benchlog.plotting.offset_trace import Spans

ACROSS: Final = 2
DOWN: Final = 4
_BLANK: Final = 0x2800
# the bit of each dot of a cell, by row and column, as Unicode orders them
_BITS: Final = np.array([[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]])


@dataclass(frozen=True, slots=True)
class DotColumns:
    """The extremes per dot column; NaN where there is nothing.

    `broken` says that the trace must not be joined to the column before.
    """

    low: NDArray[np.float64]
    high: NDArray[np.float64]
    broken: NDArray[np.bool_]

    @property
    def present(self) -> NDArray[np.bool_]:
        """Which columns hold something."""
        return np.isfinite(self.low)


def dot_columns(spans: Spans, axis: TimeAxis, cells: int) -> DotColumns:
    """Reduce spans to `2 * cells` dot columns, keeping every extreme."""
    count = ACROSS * cells
    low, high = np.full(count, np.nan), np.full(count, np.nan)
    broken = np.zeros(count, np.bool_)
    if len(spans):
        share = (spans.t_s - axis.begin_s) / (axis.end_s - axis.begin_s)
        index = np.clip((share * count).astype(np.int64), 0, count - 1)
        starts = np.concatenate(([0], np.flatnonzero(np.diff(index)) + 1))
        at = index[starts]
        low[at] = np.minimum.reduceat(spans.low_ppm, starts)
        high[at] = np.maximum.reduceat(spans.high_ppm, starts)
        broken[at] = np.logical_or.reduceat(spans.broken, starts)
    return DotColumns(low, high, broken)


def joined(columns: DotColumns) -> DotColumns:
    """Fill empty columns between two contiguous ones with a straight line."""
    filled = np.flatnonzero(columns.present)
    if not len(filled):
        return columns
    middle = (columns.low[filled] + columns.high[filled]) / 2
    index = np.arange(len(columns.low))
    after = np.searchsorted(filled, index)
    between = ~columns.present & (index > filled[0]) & (index < filled[-1])
    hole = between & ~columns.broken[filled[np.minimum(after, len(filled) - 1)]]
    line = np.interp(index, filled, middle)
    return DotColumns(
        np.where(hole, line, columns.low),
        np.where(hole, line, columns.high),
        columns.broken,
    )


def dots(columns: DotColumns, axis: Axis, rows: int) -> NDArray[np.bool_]:
    """Return which dots are set, shape (4 * rows, dot columns), the top row first."""
    count = DOWN * rows
    scale = count / (axis.high - axis.low)
    top = _rows((axis.high - columns.high) * scale, count)
    bottom = _rows((axis.high - columns.low) * scale, count)
    touch = columns.present[1:] & columns.present[:-1] & ~columns.broken[1:]
    top, bottom = _touching(top, bottom, touch)
    seen = columns.present & (columns.high >= axis.low) & (columns.low <= axis.high)
    row = np.arange(count)[:, None]
    inside: NDArray[np.bool_] = (row >= top) & (row <= bottom) & seen
    return inside


def cells(dot: NDArray[np.bool_]) -> list[str]:
    """Pack dots into lines of braille characters; cells without a dot are spaces."""
    down, across = dot.shape
    blocks = dot.reshape(down // DOWN, DOWN, across // ACROSS, ACROSS)
    codes = np.einsum("rdca,da->rc", blocks, _BITS)
    return ["".join(chr(_BLANK + code) if code else " " for code in r) for r in codes]


def coverage(columns: DotColumns) -> str:
    """Return one character a cell: `━` where readings follow one another, else `╌`.

    A gap too short to show in the trace is seen here; blank is before the first and
    beyond the last reading. Takes what `joined` returned.
    """
    present = columns.present
    filled = np.flatnonzero(present)
    if not len(filled):
        return " " * (len(present) // ACROSS)
    first, last = filled[0], filled[-1]
    whole = present & ~columns.broken
    whole[first] = True
    pairs = whole[first // ACROSS * ACROSS :].reshape(-1, ACROSS).copy()
    pairs[0, : first % ACROSS] = True
    pairs = pairs[: last // ACROSS - first // ACROSS + 1]
    pairs[-1, last % ACROSS + 1 :] = True
    line = "".join("━" if all(pair) else "╌" for pair in pairs)
    return (" " * int(first // ACROSS) + line).ljust(len(present) // ACROSS)


def _rows(below_top: NDArray[np.float64], count: int) -> NDArray[np.int64]:
    return np.clip(np.nan_to_num(below_top), 0, count - 1).astype(np.int64)


def _touching(
    top: NDArray[np.int64], bottom: NDArray[np.int64], touch: NDArray[np.bool_]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Stretch neighbouring columns until they touch; a steep trace has no holes."""
    rising = touch & (bottom[1:] < top[:-1] - 1)
    falling = touch & (top[1:] > bottom[:-1] + 1)
    lower, upper = bottom.copy(), top.copy()
    lower[1:] = np.where(rising, top[:-1] - 1, bottom[1:])
    upper[1:] = np.where(falling, bottom[:-1] + 1, top[1:])
    return upper, lower
