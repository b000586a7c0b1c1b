"""Pictures of results as files: deviations, temperature laws, ageing."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.stability.estimation import Stability, StabilityRow
from benchlog.analysis.stability.every.row_columns import factors_and_values
from benchlog.errors import DataError
from benchlog.plotting.many_rows import MANY, for_picture
from benchlog.plotting.pictures import (
    ACCENT,
    FAINT,
    INK,
    MUTED,
    SERIES,
    new_figure,
    plain_log_ticks,
    save,
)
from benchlog.units import as_stated, ends_texts, three_digits

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_MARKERS: Final = "osD^vP*Xd"
_SLOPES: Final = {"white FM": -0.5, "flicker FM": 0.0, "random-walk FM": 0.5}
# shares of the drawn decades: our rule, a name of 7 points fits there
_LEFT: Final = 0.05
_NAMES: Final = 0.16
_UNITS: Final = {"tdev": "s", "ttotdev": "s", "mtie": "s"}


def plot_stability(found: Sequence[Stability], path: Path, title: str) -> None:
    """Draw deviations over log-log axes, with guide slopes through the first point.

    Raises UsageError when the file cannot be written, DataError when there is nothing
    to draw.
    """
    if not any(drawn_rows(one) for one in found):
        raise DataError(
            "no averaging time leaves a pair of averages: there is nothing to draw"
        )
    figure, (axes,) = new_figure()
    draw_stability(axes, found)
    axes.set_title(title)
    save(figure, path, title, " ".join(in_words(one) for one in found))


def in_words(one: Stability) -> str:
    """Say what the picture of a deviation shows."""
    rows = drawn_rows(one)
    if not rows:
        return f"{one.kind}, {one.estimator}: nothing to draw."
    least = min(rows, key=lambda row: row.value or 0.0)
    count = np.count_nonzero(factors_and_values(one.rows)[1] > 0)
    return (
        f"{one.kind}, {one.estimator}, at {count:,} averaging times from "
        f"{_point(rows[0])} to {_point(rows[-1])}; least "
        f"{three_digits(least.value or 0.0)} at {as_stated(least.tau_s, 4)} s."
    )


def _point(row: StabilityRow) -> str:
    return f"{as_stated(row.tau_s, 4)} s ({three_digits(row.value or 0.0)})"


def draw_stability(
    axes: "Axes", found: Sequence[Stability], names: Sequence[str] = ()
) -> None:
    """Draw deviations into axes; `names` are their labels, else kind and estimator."""
    for number, one in enumerate(found):
        label = f"{one.kind}, {one.estimator}, 95 %"
        _draw(axes, one, number, names[number] if names else label)
    tau_s = [row.tau_s for one in found for row in drawn_rows(one)]
    _guides(axes, found[0], max(tau_s, default=1.0))
    _room_for_names(axes, tau_s)
    unit = _UNITS.get(found[0].kind)
    axes.set(
        xscale="log",
        yscale="log",
        xlabel="averaging time, s",
        ylabel=f"deviation, {unit}" if unit else "deviation (fractional frequency)",
    )
    plain_log_ticks(axes)
    axes.legend(frameon=False)


def drawn_rows(one: Stability) -> list[StabilityRow]:
    """Return the rows that are drawn on a logarithmic axis; of very many, some."""
    return for_picture(one.rows)


def _draw(axes: "Axes", one: Stability, number: int, label: str) -> None:
    rows = drawn_rows(one)
    if len(one.rows) > MANY:
        _draw_band(axes, rows, number, label)
        return
    values = [row.value or 0.0 for row in rows]
    below = [v - (r.low or v) for r, v in zip(rows, values, strict=True)]
    above = [(r.high or v) - v for r, v in zip(rows, values, strict=True)]
    axes.errorbar(
        [row.tau_s for row in rows],
        values,
        yerr=[below, above],
        fmt=_MARKERS[number % len(_MARKERS)] + "-",
        color=SERIES[number % len(SERIES)],
        markersize=4,
        capsize=2,
        linewidth=1,
        label=label,
    )


def _draw_band(
    axes: "Axes", rows: Sequence[StabilityRow], number: int, label: str
) -> None:
    """Draw a line, and a band of intervals, where marks would run into each other."""
    colour = SERIES[number % len(SERIES)]
    tau_s = np.array([row.tau_s for row in rows])
    values, low, high = (
        np.array([getattr(row, name) or row.value for row in rows], np.float64)
        for name in ("value", "low", "high")
    )
    axes.plot(tau_s, values, color=colour, linewidth=0.8, label=label)
    axes.fill_between(tau_s, low, high, color=colour, alpha=0.2, linewidth=0)


def _guides(axes: "Axes", one: Stability, most_s: float) -> None:
    """Draw slopes through the first point, as far as the longest averaging time."""
    rows = drawn_rows(one)
    if one.kind != "adev" or len(rows) < 2:
        return
    first = rows[0]
    axes.set_yscale("log")
    held = axes.get_ylim()  # guides may leave the picture, not widen it
    for name, slope in _SLOPES.items():
        start = first.value or 0.0
        end_s = most_s
        if slope:  # the line is named where it leaves the picture
            edge = held[1] if slope > 0 else held[0]
            end_s = min(end_s, first.tau_s * (edge / start) ** (1.0 / slope))
        values = [start, start * (end_s / first.tau_s) ** slope]
        axes.plot([first.tau_s, end_s], values, ":", color=FAINT, linewidth=0.9)
        axes.annotate(
            f" {name} ",
            (end_s, values[1]),
            color=MUTED,
            fontsize=7,
            ha="left",
            va=_beside(slope, inside=end_s >= most_s),
        )
    axes.set_ylim(held)


def _room_for_names(axes: "Axes", tau_s: Sequence[float]) -> None:
    """Leave room on the right, where the names of the guides stand."""
    least, most = min(tau_s, default=1.0), max(tau_s, default=1.0)
    if most > least:
        span = most / least
        axes.set_xlim(least / span**_LEFT, most * span**_NAMES)


def _beside(slope: float, *, inside: bool) -> str:
    """Return where the name of a guide stands so that the guide is not across it."""
    if inside:  # it stands behind the last averaging time, where nothing is drawn
        return "center"
    return "top" if slope > 0 else "bottom"


# --- pictures of laws: the data, the fitted curve, and the residuals

Array = NDArray[np.float64]
_MOST_DOTS = 20_000


def plot_law(
    x: Array, y: Array, curve: Array, path: Path, *, title: str, x_label: str
) -> None:
    """Draw `y` over `x` with the fitted `curve` (same shape), residuals below.

    Parameters
    ----------
    x, y, curve : array, shape (n,)
        Abscissa as `x_label` says, offset and fitted offset in ppm.

    Raises UsageError when the file cannot be written.

    """
    figure, (above, below) = new_figure(2)
    step = max(1, -(-len(x) // _MOST_DOTS))
    order = np.argsort(x, kind="stable")
    above.plot(x[::step], y[::step], ".", color=INK, markersize=2, label="readings")
    above.plot(x[order], curve[order], "-", color=ACCENT, linewidth=1.6, label="law")
    above.set(ylabel="offset, ppm", title=title)
    above.legend(frameon=False)
    below.plot(x[::step], (y - curve)[::step], ".", color=FAINT, markersize=2)
    below.axhline(0.0, color=ACCENT, linewidth=0.8)
    below.set(xlabel=x_label, ylabel="residual, ppm")
    rest = y - curve
    words = (
        f"Offset from {' to '.join(ends_texts(float(y.min()), float(y.max())))} ppm "
        f"over {x_label} from {three_digits(float(x.min()))} to "
        f"{three_digits(float(x.max()))}, with the fitted law; below, what is left "
        f"over: {three_digits(float(np.std(rest)))} ppm rms."
    )
    save(figure, path, title, words)
