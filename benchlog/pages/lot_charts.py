"""The pictures of a lot: each device with its U between the limits, and a histogram."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from benchlog.model import Decision
from benchlog.pages.charts import draw_limits
from benchlog.pages.content import Chart, printed
from benchlog.plotting.pictures import ACCENT, FAINT, INK, new_figure
from benchlog.units import (
    as_stated,
    format_ppm,
    format_u_ppm,
)
from benchlog.verdict.lot.lot_decision import DeviceResult
from benchlog.verdict.lot.lot_report import LotReport
from benchlog.verdict.lot.lot_spread import Histogram

if TYPE_CHECKING:
    from matplotlib.axes import Axes

# our rules: names that can be read, and a picture that fits on a sheet
_MOST_NAMED: Final = 40
_NAME: Final = 14
_LEAST_IN: Final = 1.5
_MOST_IN: Final = 8.0
_ROW_IN: Final = 0.19
_LEAST_COUNTED: Final = 10
_FAR: Final = 3.0
"""Limits beyond which a device is drawn as an arrow at the edge."""
_STYLES: Final = {
    Decision.PASS: ("o", INK, INK),
    Decision.UNDECIDED: ("D", INK, "none"),
    Decision.FAIL: ("X", ACCENT, ACCENT),
}


def devices_chart(record: LotReport) -> Chart | None:
    """Draw each device as a dot with its U, in order of measurement from the top.

    None when no device has a figure, or the part no limit.
    """
    found = [one for one in record.results if one.offset_ppm is not None]
    limit = record.limit_ppm
    if not found or limit <= 0:
        return None
    n = len(found)
    height = min(_MOST_IN, max(_LEAST_IN, 0.8 + _ROW_IN * n))
    figure, (axes,) = new_figure(size=(7.2, height))
    most = max(abs(one.offset_ppm or 0.0) + (one.u_ppm or 0.0) for one in found)
    reach = max(1.15 * limit, min(1.12 * most, _FAR * limit))
    axes.axvspan(-limit, limit, color=FAINT, alpha=0.18, linewidth=0)
    draw_limits(axes, limit)
    axes.axvline(0.0, color=FAINT, linewidth=0.8)
    for row, one in enumerate(found):
        _draw(axes, -row, one, reach)
    axes.set(xlim=(-reach, reach), ylim=(0.3 - n, 0.7), xlabel="offset, ppm")
    axes.grid(visible=False, axis="y")
    if n <= _MOST_NAMED:
        axes.set_yticks([-row for row in range(n)], [_short(one) for one in found])
    else:
        axes.set(yticks=[], ylabel="devices, in order of measurement")
    return Chart(
        f"Each device with its U (95 %); limits of +-{as_stated(limit)} ppm dashed; "
        "pass a "
        "disc, undecided a hollow diamond, fail a cross",
        _in_words(found, limit, reach),
        figure,
    )


def _draw(axes: "Axes", row: float, one: DeviceResult, reach: float) -> None:
    marker, edge, face = _STYLES[one.word]
    ppm = one.offset_ppm or 0.0
    if abs(ppm) > reach:
        marker, ppm = (">" if ppm > 0 else "<"), (reach if ppm > 0 else -reach)
    axes.errorbar(
        [ppm],
        [row],
        xerr=[one.u_ppm or 0.0],
        fmt=marker,
        color=edge,
        ecolor=edge,
        markerfacecolor=face,
        markersize=6,
        capsize=3,
        elinewidth=1.0,
        clip_on=abs(one.offset_ppm or 0.0) <= reach,
    )


def _short(one: DeviceResult) -> str:
    name = printed(one.device)
    return name if len(name) <= _NAME else f"{name[: _NAME - 1]}…"


def _in_words(found: Sequence[DeviceResult], limit: float, reach: float) -> str:
    offsets = {one.device: one.offset_ppm or 0.0 for one in found}
    ranked = sorted(found, key=lambda one: offsets[one.device])
    low, high = ranked[0], ranked[-1]
    far = [one for one in found if abs(one.offset_ppm or 0.0) > reach]
    largest = max((one.u_ppm or 0.0) for one in found)
    nearest = max(abs(ppm) for ppm in offsets.values())
    said = (
        f"{len(found)} devices between {_told(low)} and {_told(high)}, U at most "
        f"{format_u_ppm(largest)} ppm; the farthest from nominal is at "
        f"{nearest / limit:.0%} of the limit of +-{as_stated(limit)} ppm."
    )
    if far:
        names = ", ".join(_told(one) for one in far)
        said += f" Arrows at the edge are of devices beyond the picture: {names}."
    return said


def _told(one: DeviceResult) -> str:
    return f"{format_ppm(one.offset_ppm, one.u_ppm)} ppm ({printed(one.device)})"


def histogram_chart(record: LotReport) -> Chart | None:
    """Draw how many devices lie where; limits where they are in the picture.

    None of so few devices that their dots show it better.
    """
    found = record.figures.histogram
    if found is None or sum(found.counts) < _LEAST_COUNTED:
        return None
    from matplotlib.ticker import MaxNLocator  # noqa: PLC0415 - heavy

    figure, (axes,) = new_figure(size=(7.2, 2.6))
    axes.stairs(found.counts, found.edges_ppm, fill=True, color=INK, alpha=0.55)
    axes.yaxis.set_major_locator(MaxNLocator(integer=True))
    low, high = found.edges_ppm[0], found.edges_ppm[-1]
    margin = 0.05 * (high - low)
    axes.set(xlabel="offset, ppm", ylabel="devices")
    axes.set_xlim(low - margin, high + margin)
    inside = [
        side
        for side in (-found.limit_ppm, found.limit_ppm)
        if low - margin <= side <= high + margin
    ]
    for side in inside:
        axes.axvline(side, color=ACCENT, linestyle="--", linewidth=1.4)
    where = "limits dashed" if inside else "the limits lie outside the picture"
    return Chart(f"How many devices lie where; {where}", _counted(found), figure)


def _counted(found: Histogram) -> str:
    low, high = found.edges_ppm[0], found.edges_ppm[-1]
    u = (high - low) / 100
    outside = sum(
        count
        for count, begin, end in zip(
            found.counts, found.edges_ppm, found.edges_ppm[1:], strict=False
        )
        if end <= -found.limit_ppm or begin >= found.limit_ppm
    )
    return (
        f"Histogram of {sum(found.counts)} devices from {format_ppm(low, u)} to "
        f"{format_ppm(high, u)} ppm; {outside} in bins beyond the limits of plus and "
        f"minus {as_stated(found.limit_ppm)} ppm."
    )
