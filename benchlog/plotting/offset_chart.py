"""The chart of offset against time as lines of text with roles; pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Final

from benchlog.plotting import braille
from benchlog.plotting.axis_ticks import (
    Axis,
    TimeAxis,
    time_axis,
    value_axis,
)
from benchlog.plotting.offset_trace import Spans
from benchlog.units import as_stated

Run = tuple[str, str]
"""A stretch of text and its role: `trace limit label axis title`."""
Line = tuple[Run, ...]

_FAR: Final = 12.0
"""Limits that would squeeze the data into less than a twelfth are left out at first:
in eight rows of four dots, two or three dots still show which way the data go."""
_FITTED: Final = {"data": "data", "near": "nearer limit", "limits": "limits"}
_SMALLEST: Final = (24, 5)


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """What a chart shows: the data, the limits, what happened, and from when to when.

    `limit_ppm` None means there is none. `marks` are (seconds, one letter). `scale` is
    `data` (fitted to the data), `near` (the nearer limit is in the picture, too) or
    `limits` (both are).
    """

    spans: Spans
    begin_s: float
    end_s: float
    limit_ppm: float | None = None
    marks: Sequence[tuple[float, str]] = ()
    scale: str = "data"
    window: str = "whole run"


def usual_scale(spans: Spans, limit_ppm: float | None, before: str) -> str:
    """Return the scale to start with: as many limits as do not flatten the data.

    `before` is what is shown now; it is kept near the border, so that the picture does
    not swing to and fro.
    """
    if limit_ppm is None or not len(spans):
        return "data" if limit_ppm is None else "limits"
    low, high = float(spans.low_ppm.min()), float(spans.high_ppm.max())
    data = max(high - low, 1e-12)
    one_sided = low > 0 or high < 0
    for scale in ("limits", "near") if one_sided else ("limits",):
        wanted = [low, high, *_limits(scale, limit_ppm, low, high)]
        far = _FAR * (1.5 if before == scale else 1.0)
        if (max(wanted) - min(wanted)) / data <= far:
            return scale
    return "data"


def _limits(scale: str, limit_ppm: float, low: float, high: float) -> list[float]:
    """Return the limits that a scale has in the picture."""
    if scale == "near":
        return [limit_ppm if low + high >= 0 else -limit_ppm]
    return [limit_ppm, -limit_ppm] if scale == "limits" else []


def draw_offsets(scene: Scene, width: int, height: int) -> list[Line]:
    """Return `height` lines of `width` cells; blank lines when there is no room."""
    if width < _SMALLEST[0] or height < _SMALLEST[1]:
        return [((" " * width, "label"),)] * height
    rows = height - 3
    axis = _value_axis(scene, rows)
    labels = _labels(axis, rows)
    gutter = max(len(text) for text in labels) + 1
    across = width - gutter - 1
    times = time_axis(scene.begin_s, scene.end_s, across // 12)
    columns = braille.joined(braille.dot_columns(scene.spans, times, across))
    plot = braille.cells(braille.dots(columns, axis, rows))
    lines = [_title(scene, axis, width)]
    for row, (label, cells) in enumerate(zip(labels, plot, strict=True)):
        limit = _limit_at(scene, axis, row, rows)
        edge = ("╞", "limit") if limit else ("┤" if label else "│", "axis")
        head = ((label.rjust(gutter), "label"), edge)
        lines.append((*head, *_plot_runs(cells, limit)))
    covered = _with_marks(braille.coverage(columns), scene, times)
    lines.append(((" " * gutter + "└", "axis"), (covered, "axis")))
    lines.append(((" " * (gutter + 1) + _time_labels(times, across), "label"),))
    return lines


def _value_axis(scene: Scene, rows: int) -> Axis:
    spans, limit_ppm = scene.spans, scene.limit_ppm
    values: list[float] = []
    if len(spans):
        values = [float(spans.low_ppm.min()), float(spans.high_ppm.max())]
    if limit_ppm is not None:
        scale = scene.scale if values else "limits"
        values += _limits(
            scale, limit_ppm, min(values, default=0), max(values, default=0)
        )
    values = values or [-1.0, 1.0]
    return value_axis(min(values), max(values), rows)


def _row_of(value: float, axis: Axis, rows: int) -> int:
    share = (axis.high - value) / (axis.high - axis.low)
    return min(rows - 1, max(0, int(share * rows)))


def _labels(axis: Axis, rows: int) -> list[str]:
    labels = [""] * rows
    for tick in axis.ticks:
        labels[_row_of(tick, axis, rows)] = axis.label(tick)
    return labels


def _limit_at(scene: Scene, axis: Axis, row: int, rows: int) -> str:
    """Return what to write on a limit's row, empty on every other row."""
    if scene.limit_ppm is None:
        return ""
    for limit in (scene.limit_ppm, -scene.limit_ppm):
        if axis.low <= limit <= axis.high and _row_of(limit, axis, rows) == row:
            return f" limit {'-' if limit < 0 else '+'}{as_stated(abs(limit))} "
    return ""


def _plot_runs(cells: str, limit: str) -> Line:
    if not limit:
        return ((cells, "trace"),)
    line = list("╌" * len(cells))
    at = len(cells) - len(limit) - 2
    if at > 2 and not cells[at : at + len(limit)].strip():
        line[at : at + len(limit)] = limit
    mixed = [
        (cell, "trace") if cell != " " else (line[i], "limit")
        for i, cell in enumerate(cells)
    ]
    return tuple(
        ("".join(text for text, _ in run), role)
        for role, run in groupby(mixed, key=lambda pair: pair[1])
    )


def _title(scene: Scene, axis: Axis, width: int) -> Line:
    right = _limit_words(scene.limit_ppm, axis)
    fitted = _FITTED[scene.scale]
    for left in (
        f"offset, ppm · {scene.window} · scaled to the {fitted}",
        f"offset, ppm · {scene.window} · by {fitted}",
        f"ppm · {scene.window}",
    ):
        space = width - len(left) - len(right)
        if space > 0:
            return ((left + " " * space, "title"), (right, "limit"))
    return ((right.rjust(width)[:width], "limit"),)


def _limit_words(limit_ppm: float | None, axis: Axis) -> str:
    if limit_ppm is None:
        return ""
    seen = [axis.low <= limit <= axis.high for limit in (limit_ppm, -limit_ppm)]
    if all(seen):
        return f"limits ±{as_stated(limit_ppm)}"
    if not any(seen):
        return f"limits ±{as_stated(limit_ppm)} off the scale"
    return f"limit {'-' if seen[0] else '+'}{as_stated(limit_ppm)} off the scale"


def _with_marks(covered: str, scene: Scene, times: TimeAxis) -> str:
    line = list(covered)
    for at_s, letter in scene.marks:
        if times.begin_s <= at_s <= times.end_s:
            share = (at_s - times.begin_s) / (times.end_s - times.begin_s)
            line[min(len(line) - 1, int(share * len(line)))] = letter
    return "".join(line)


def _time_labels(times: TimeAxis, across: int) -> str:
    line = [" "] * across
    unit = f"{times.unit} elapsed"
    free = across - len(unit) - 1
    for at_s, label in times.ticks:
        share = (at_s - times.begin_s) / (times.end_s - times.begin_s)
        at = max(0, int(share * across) - (len(label) // 2 if share > 0 else 0))
        end = at + len(label)
        if end < free and not "".join(line[max(0, at - 1) : end + 1]).strip():
            line[at:end] = label
    line[across - len(unit) :] = unit
    return "".join(line)
