"""The picture of stability over time: averaging time against time, coloured."""

from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.stability.over_time import StabilityOverTime
from benchlog.plotting.pictures import ACCENT, GRID, MUTED, SERIES, new_figure, save
from benchlog.plotting.shaded_map import usual
from benchlog.units import as_stated

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Array = NDArray[np.float64]

_TIMES: Final = ((172_800.0, 86_400.0, "days"), (7_200.0, 3_600.0, "h"))
_MINUTES: Final = (240.0, 60.0, "min")
_REACH: Final = 4.0  # our rule: the colours end at a quarter and four times


def plot_over_time(
    found: StabilityOverTime, path: Path, title: str, words: str
) -> None:
    """Draw the map into a file. Raises UsageError when it cannot be written."""
    figure, (axes,) = new_figure(size=(7.2, 4.2))
    draw_over_time(figure, axes, found)
    axes.set_title(title)
    save(figure, path, title, words)


def draw_over_time(figure: "Figure", axes: "Axes", found: StabilityOverTime) -> None:
    """Draw the deviation in each window over the median of its averaging time.

    Colours from green over white to orange; changes that chance would not give are
    framed.
    """
    from matplotlib.colors import LinearSegmentedColormap, LogNorm  # noqa: PLC0415
    from matplotlib.patches import Rectangle  # noqa: PLC0415

    worth_s, unit = _time_unit(float(found.t_s[-1]))
    ratio = found.values / usual(found.values)[:, None]
    shades = LinearSegmentedColormap.from_list("usual", [SERIES[2], "#ffffff", ACCENT])
    axes.set_facecolor(GRID)  # where nothing is known
    t = _edges(found.t_s) / worth_s
    tau = np.exp(_edges(np.log(found.tau_s)))
    drawn = axes.pcolormesh(
        t, tau, np.ma.masked_invalid(ratio), cmap=shades,
        norm=LogNorm(1.0 / _REACH, _REACH), linewidth=0, rasterized=False,
    )  # fmt: skip
    for change in found.changes:
        low = change.tau_from_s / 2**0.5
        axes.add_patch(
            Rectangle(
                (change.begin_s / worth_s, low),
                (change.end_s - change.begin_s) / worth_s,
                change.tau_to_s * 2**0.5 - low,
                fill=False,
                edgecolor=MUTED,
                linewidth=1.2,
                linestyle="--",
            )
        )
    axes.grid(visible=False)
    axes.set(
        yscale="log", xlabel=f"time since the first reading, {unit}",
        ylabel="averaging time, s", xlim=(t[0], t[-1]), ylim=(tau[0], tau[-1]),
    )  # fmt: skip
    axes.set_yticks(found.tau_s, [as_stated(tau_s, 4) for tau_s in found.tau_s])
    axes.minorticks_off()
    bar = figure.colorbar(drawn, ax=axes, ticks=[0.25, 0.5, 1, 2, 4])
    bar.ax.set_yticklabels(["1/4", "1/2", "usual", "2 times", "4 times"])
    bar.ax.minorticks_off()


def _edges(middles: Array) -> Array:
    """Return the edges between equally spaced middles, and of the outer ones."""
    if len(middles) == 1:
        return np.array([middles[0] - 0.35, middles[0] + 0.35])
    half = np.diff(middles) / 2.0
    inner = middles[:-1] + half
    return np.concatenate(([middles[0] - half[0]], inner, [middles[-1] + half[-1]]))


def _time_unit(span_s: float) -> tuple[float, str]:
    for least_s, worth_s, name in (*_TIMES, _MINUTES):
        if span_s >= least_s:
            return worth_s, name
    return 1.0, "s"
