"""The picture of devices measured together: each one's own deviation."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from benchlog.analysis.stability.cornered_hat import CorneredHat
from benchlog.plotting.pictures import SERIES, new_figure, plain_log_ticks, save
from benchlog.units import as_stated, three_digits

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_MARKERS = "osD^vP*Xd"
_SPREAD = 1.03  # our rule: devices stand beside each other by 3 % of the time


def plot_hat(found: CorneredHat, names: Sequence[str], path: Path) -> None:
    """Draw own deviations over log-log axes into a file.

    Raises UsageError when the file cannot be written.
    """
    figure, (axes,) = new_figure()
    draw_hat(axes, found, names)
    title = f"{found.kind} of each device's own"
    axes.set_title(title)
    save(figure, path, title, hat_in_words(found, names))


def draw_hat(axes: "Axes", found: CorneredHat, names: Sequence[str]) -> None:
    """Draw each device with its intervals; an arrow down where it is not resolved."""
    for k, name in enumerate(names):
        colour, marker = SERIES[k % len(SERIES)], _MARKERS[k % len(_MARKERS)]
        aside = _SPREAD ** (k - (len(names) - 1) / 2)
        known = [(row.tau_s * aside, row.own[k]) for row in found.drawn_rows]
        there = [(tau_s, own) for tau_s, own in known if own.value is not None]
        values = [own.value or 0.0 for _, own in there]
        axes.errorbar(
            [tau_s for tau_s, _ in there],
            values,
            yerr=[
                [v - own.low for v, (_, own) in zip(values, there, strict=True)],
                [own.high - v for v, (_, own) in zip(values, there, strict=True)],
            ],
            fmt=marker + "-",
            color=colour,
            markersize=4,
            capsize=2,
            linewidth=1,
            label=name,
        )
        below = [(tau_s, own.high) for tau_s, own in known if own.value is None]
        axes.errorbar(
            [tau_s for tau_s, _ in below],
            [high for _, high in below],
            yerr=[[0.3 * high for _, high in below], [0.0 for _ in below]],
            uplims=True,
            fmt=marker,
            markerfacecolor="white",
            color=colour,
            markersize=4,
            linewidth=1,
        )
    unit = (
        "deviation, s" if found.kind == "tdev" else "deviation (fractional frequency)"
    )
    axes.set(xscale="log", yscale="log", xlabel="averaging time, s", ylabel=unit)
    plain_log_ticks(axes)
    axes.legend(frameon=False)


def hat_in_words(found: CorneredHat, names: Sequence[str]) -> str:
    """Say what the picture shows."""
    return "; ".join(_device(found, k, name) for k, name in enumerate(names)) + "."


def _device(found: CorneredHat, k: int, name: str) -> str:
    there = [row for row in found.rows if row.own[k].value is not None]
    if not there:
        return f"{name}: not resolved"
    first, last = there[0], there[-1]
    return (
        f"{name}: {three_digits(first.own[k].value or 0.0)} at "
        f"{as_stated(first.tau_s, 4)} s to "
        f"{three_digits(last.own[k].value or 0.0)} at {as_stated(last.tau_s, 4)} s"
    )
