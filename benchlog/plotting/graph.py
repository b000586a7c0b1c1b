"""One quantity against another as lines of text with roles: dots, lines, bars; pure."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import groupby
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.plotting import braille
from benchlog.plotting.axis_ticks import Axis, round_step, value_axis
from benchlog.plotting.offset_chart import Line
from benchlog.units import as_stated

Array = NDArray[np.float64]
Dots = NDArray[np.bool_]

SMALLEST: Final = (24, 6)
_MANTISSAS: Final = (1.0, 2.0, 5.0)
_GUIDE_EVERY: Final = 4  # dot columns from dot to dot of a guide
_LABEL_CELLS: Final = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class Layer:
    """What is drawn in one colour; later layers lie over earlier ones.

    `how` is `dots`, `marks` (each three dots across), `line`, `bars` (from `y` to
    `top`) or `guide`: a dotted line, which the axes do not make room for.
    """

    x: Array
    y: Array
    role: str = "trace"
    how: str = "dots"
    top: Array = field(default_factory=lambda: np.empty(0))


@dataclass(frozen=True, slots=True)
class Graph:
    """Layers over common axes, both logarithmic or both linear.

    `title` names both quantities with their units.
    """

    title: str
    layers: Sequence[Layer]
    log: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class _Frame:
    """The axes; along a logarithmic one values are exponents of ten."""

    x: Axis
    y: Axis
    across: int
    rows: int
    log: bool


def draw_graph(graph: Graph, width: int, height: int) -> list[Line]:
    """Return `height` lines of `width` cells; blank ones where nothing can be drawn."""
    layers = [_usable(layer, graph.log) for layer in graph.layers]
    seen = [layer for layer in layers if layer.how != "guide" and len(layer.x)]
    if width < SMALLEST[0] or height < SMALLEST[1] or not seen:
        return [((" " * width, "label"),)] * height
    rows = height - 3
    x = np.concatenate([layer.x for layer in seen])
    y = np.concatenate([np.concatenate([layer.y, layer.top]) for layer in seen])
    y_axis = _axis(y, rows, graph.log)
    labels = _row_labels(y_axis, rows, graph.log)
    gutter = max(len(label) for label in labels) + 1
    across = width - gutter - 1
    x_axis = _x_axis(x, across, graph.log)
    frame = _Frame(x=x_axis, y=y_axis, across=across, rows=rows, log=graph.log)
    lines: list[Line] = [((f"{graph.title:<{width}}"[:width], "title"),)]
    for label, runs in zip(labels, _plot(layers, frame), strict=True):
        edge = "┤" if label else "│"
        lines.append(((label.rjust(gutter), "label"), (edge, "axis"), *runs))
    lines.append(((" " * gutter + "└" + "─" * across, "axis"),))
    lines.append(((" " * (gutter + 1) + _column_labels(frame), "label"),))
    return lines


def _usable(layer: Layer, log: bool) -> Layer:
    """Keep what an axis can hold; on logarithmic ones, as exponents."""
    columns = [layer.x, layer.y, *([layer.top] if len(layer.top) else [])]
    good = np.all([np.isfinite(c) & ((c > 0) | (not log)) for c in columns], axis=0)
    kept = [np.log10(c[good]) if log else c[good] for c in columns]
    top = kept[2] if len(kept) > 2 else np.empty(0)
    return Layer(x=kept[0], y=kept[1], role=layer.role, how=layer.how, top=top)


# --- axes ----------------------------------------------------------------------------


def _axis(values: Array, rows: int, log: bool) -> Axis:
    low, high = float(values.min()), float(values.max())
    if not log:
        return value_axis(low, high, rows)
    air = max(0.03 * (high - low), 0.02)
    return _log_axis(low - air, high + air, max(2, rows // 2))


def _x_axis(values: Array, across: int, log: bool) -> Axis:
    low, high = float(values.min()), float(values.max())
    air = 0.02 * (high - low) or (0.1 if log else max(abs(high) * 1e-6, 1e-9))
    low, high = low - air, high + air
    most = max(2, across // _LABEL_CELLS)
    if log:
        return _log_axis(low, high, most)
    step = round_step((high - low) / most)
    ticks = np.arange(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1)
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    if abs(step * 10**decimals - round(step * 10**decimals)) > 1e-9:
        decimals += 1
    return Axis(low, high, tuple((ticks * step).tolist()), decimals)


def _log_axis(low: float, high: float, most: int) -> Axis:
    """Return an axis in exponents of ten, labelled at decades, or finer if it is short.

    There are at most `most` labels.
    """
    first, last = math.floor(low), math.ceil(high)
    fine = [p + math.log10(k) for p in range(first, last + 1) for k in _MANTISSAS]
    fine = [tick for tick in fine if low <= tick <= high]
    decades = [float(p) for p in range(first, last + 1) if low <= p <= high]
    if len(decades) < 2 and len(fine) <= most:
        return Axis(low, high, tuple(fine), 0)
    apart = max(1, -(-len(decades) // most))
    return Axis(low, high, tuple(decades[::apart]), 0)


def _label(axis: Axis, tick: float, log: bool, signed: bool) -> str:
    if log:
        power = math.floor(tick + 1e-9)
        mantissa = round(10 ** (tick - power))
        return as_stated(float(f"{mantissa}e{power}"))
    return axis.label(tick) if signed else f"{tick:,.{axis.decimals}f}"


def _row_labels(axis: Axis, rows: int, log: bool) -> list[str]:
    labels = [""] * rows
    for tick in axis.ticks:
        row = int((axis.high - tick) / (axis.high - axis.low) * rows)
        labels[min(rows - 1, max(0, row))] = _label(axis, tick, log, signed=True)
    return labels


def _column_labels(frame: _Frame) -> str:
    axis, line = frame.x, [" "] * frame.across
    for tick in axis.ticks:
        label = _label(axis, tick, frame.log, signed=False)
        share = (tick - axis.low) / (axis.high - axis.low)
        middle = int(share * frame.across) - len(label) // 2
        at = min(max(0, middle), max(0, frame.across - len(label)))
        end = at + len(label)
        if end <= frame.across and not "".join(line[max(0, at - 1) : end + 1]).strip():
            line[at:end] = label
    return "".join(line)


# --- dots ----------------------------------------------------------------------------


def _plot(layers: Sequence[Layer], frame: _Frame) -> list[Line]:
    """Return the rows of the plot; a cell has the colour of its topmost layer."""
    shape = (braille.DOWN * frame.rows, braille.ACROSS * frame.across)
    every = np.zeros(shape, np.bool_)
    owner = np.full((frame.rows, frame.across), -1)
    for number, layer in enumerate(layers):
        dot = _dots(layer, frame)
        blocks = dot.reshape(frame.rows, braille.DOWN, frame.across, braille.ACROSS)
        mine = blocks.any(axis=(1, 3))
        if layer.how == "line":  # seen without colour, too: it clears its way
            every &= ~mine.repeat(braille.DOWN, 0).repeat(braille.ACROSS, 1)
        every |= dot
        owner[mine] = number
    lines = []
    for text, owners in zip(braille.cells(every), owner.tolist(), strict=True):
        runs = groupby(zip(text, owners, strict=True), key=lambda pair: pair[1])
        lines.append(
            tuple(
                ("".join(c for c, _ in run), layers[n].role if n >= 0 else "label")
                for n, run in runs
            )
        )
    return lines


def _dots(layer: Layer, frame: _Frame) -> Dots:
    dot = np.zeros((braille.DOWN * frame.rows, braille.ACROSS * frame.across), np.bool_)
    if not len(layer.x):
        return dot
    if layer.how in ("line", "guide"):
        return _line(layer, frame, dot.shape)
    x, down = _columns(layer.x, frame), _rows(layer.y, frame)
    if layer.how == "bars":
        for column, low, high in zip(x, down, _rows(layer.top, frame), strict=True):
            dot[max(0, high) : low + 1, column] = True
        return dot
    inside = (down >= 0) & (down < dot.shape[0])
    for aside in (-1, 0, 1) if layer.how == "marks" else (0,):
        across = np.clip(x[inside] + aside, 0, dot.shape[1] - 1)
        dot[down[inside], across] = True
    return dot


def _columns(x: Array, frame: _Frame) -> NDArray[np.int64]:
    count = braille.ACROSS * frame.across
    share = (x - frame.x.low) / (frame.x.high - frame.x.low)
    return np.clip((share * count).astype(np.int64), 0, count - 1)


def _rows(y: Array, frame: _Frame) -> NDArray[np.int64]:
    share = (frame.y.high - y) / (frame.y.high - frame.y.low)
    return np.floor(share * braille.DOWN * frame.rows).astype(np.int64)


def _line(layer: Layer, frame: _Frame, shape: tuple[int, ...]) -> Dots:
    at = np.arange(shape[1])
    x = frame.x.low + (at + 0.5) * (frame.x.high - frame.x.low) / shape[1]
    order = np.argsort(layer.x, kind="stable")
    y = np.interp(x, layer.x[order], layer.y[order], left=np.nan, right=np.nan)
    if layer.how == "guide":
        y[at % _GUIDE_EVERY != 0] = np.nan
    broken = np.zeros(shape[1], np.bool_)
    return braille.dots(braille.DotColumns(y, y, broken), frame.y, frame.rows)
