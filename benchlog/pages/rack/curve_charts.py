"""Pictures of curves: one device by itself, or all of a rack over one another."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from benchlog.model import Decision, Limits
from benchlog.pages.charts import time_unit
from benchlog.pages.content import Chart, printed
from benchlog.plotting.pictures import ACCENT, FAINT, INK, SERIES, new_figure
from benchlog.units import as_stated, ends_texts, format_ppm, three_digits
from benchlog.verdict.rack.curves import POWER, TIME, Curve

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_SIZE: Final = (7.2, 3.4)
_NEAR: Final = 4.0  # a limit is drawn within so many spans of the data; our rule
_MOST_NAMED: Final = 4  # our rule: more colours cannot be told apart
_MARKERS: Final = ("o", "s", "D", "^")
_UP, _DOWN = 1, -1
_NAMES: Final = {
    "temperature": "ambient temperature",
    "supply": "supply",
    "control": "control voltage",
    "load": "load capacitance",
}
_OF_LIMIT: Final = {
    "temperature": "stability_ppm",
    "supply": "supply_ppm",
    "load": "load_ppm",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedCurve:
    """A curve with the device it is of, and that device's verdict."""

    device: str
    verdict: Decision
    curve: Curve


def name_of(along: str) -> str:
    """Return what a curve is drawn against."""
    return _NAMES.get(along, along)


def limit_of(curve: Curve, limits: Limits) -> float | None:
    """Return what the part promises of a curve's changes, in ppm either way."""
    name = _OF_LIMIT.get(curve.along)
    limit: float | None = None if name is None else getattr(limits, name)
    return limit if curve.relative else None


def curve_chart(curve: Curve, limits: Limits) -> Chart:
    """Draw one curve of a device with the U of each point."""
    figure, (axes,) = new_figure(size=_SIZE)
    x, across = _x(axes, curve, _span(curve))
    _ways(axes, curve, x)
    _dips(axes, curve)
    limit = limit_of(curve, limits)
    drawn = limit is not None and _draw_limit(axes, limit, [curve])
    axes.set(xlabel=across, ylabel=_y(curve))
    return Chart(_caption(curve, limit, drawn=drawn), _in_words(curve), figure)


def _ways(axes: "Axes", curve: Curve, x: "np.ndarray") -> None:
    named = {_UP: ("rising", "^", INK), _DOWN: ("falling", "v", ACCENT)}
    both = {int(way) for way in curve.way} & set(named)
    for way in sorted({int(way) for way in curve.way}, reverse=True):
        label, marker, colour = named.get(way, ("first or again", "o", INK))
        kept = np.flatnonzero(curve.way == way)
        order = kept[np.argsort(x[kept], kind="stable")]
        axes.errorbar(
            x[order],
            curve.ppm[order],
            yerr=curve.u_ppm[order],
            fmt=f"{marker}-" if way or not both else marker,
            color=colour,
            markerfacecolor=colour if way >= 0 else "none",
            markersize=4,
            linewidth=1.0,
            capsize=2,
            label=label,
        )
    if both:
        axes.legend(frameon=False)


def _dips(axes: "Axes", curve: Curve) -> None:
    for dip in curve.dips:
        reach = max(dip.width_c, 1.0)
        axes.axvspan(
            dip.at_c - reach, dip.at_c + reach, color=ACCENT, alpha=0.18, linewidth=0
        )
        axes.annotate(
            "dip" if dip.size_ppm < 0 else "peak",
            (dip.at_c, 1.0),
            xycoords=("data", "axes fraction"),
            ha="center",
            va="bottom",
            color=ACCENT,
        )


def rack_chart(several: Sequence[NamedCurve], limits: Limits) -> Chart:
    """Draw the curves of all devices along one drive over one another."""
    figure, (axes,) = new_figure(size=(7.2, 4.0))
    first = several[0].curve
    few = len(several) <= _MOST_NAMED
    across, span = "", max(_span(one.curve) for one in several)
    for index, one in enumerate(several):
        x, across = _x(axes, one.curve, span)
        failed = one.verdict is Decision.FAIL
        colour = SERIES[index] if few else (ACCENT if failed else INK)
        for line, kept in _lines(one.curve):
            axes.plot(
                x[kept],
                one.curve.ppm[kept],
                line,
                marker=_MARKERS[index] if few else ("x" if failed else "."),
                color=colour,
                markersize=4 if few else 3,
                linewidth=1.4 if failed else 0.9,
                alpha=1.0 if few or failed else 0.45,
                label="_" if line == "--" else printed(one.device)[:24],
            )
    if few:
        axes.legend(frameon=False)
    limit = limit_of(first, limits)
    drawn = limit is not None and _draw_limit(axes, limit, [o.curve for o in several])
    axes.set(xlabel=across, ylabel=_y(first))
    how = "" if few else "; devices that fail in crosses"
    if {1, -1} & {int(way) for way in first.way}:
        how += "; falling dashed"
    caption = f"{len(several)} devices: {_caption(first, limit, drawn=drawn)}{how}"
    return Chart(caption, _all_in_words(several), figure)


def _lines(curve: Curve) -> "Iterator[tuple[str, np.ndarray]]":
    """Yield line styles and points: of two ways the falling one is dashed."""
    falling = curve.way == _DOWN
    for line, of_way in (("-", ~falling), ("--", falling)):
        kept = np.flatnonzero(of_way)
        if len(kept):
            yield line, kept[np.argsort(curve.at[kept], kind="stable")]


def _span(curve: Curve) -> float:
    """Return how far a curve reaches, in its own unit."""
    return float(np.ptp(curve.at))


def _x(axes: "Axes", curve: Curve, span: float) -> tuple["np.ndarray", str]:
    """Return places as they are drawn, and what the axis is called.

    `span` is that of the longest curve drawn there: all of them have one unit.
    """
    if curve.along == POWER:
        axes.set_xscale("log")
        from matplotlib.ticker import LogFormatter  # noqa: PLC0415 - heavy

        class InFull(LogFormatter):
            def __call__(self, x: float, pos: int | None = None) -> str:
                return as_stated(x) if super().__call__(x, pos) else ""

        axes.xaxis.set_major_formatter(InFull())
        return np.maximum(curve.at, 1.0), "time since power on, s"
    if curve.along == TIME:
        worth_s, name = time_unit(span * 86_400.0)
        return curve.at * 86_400.0 / worth_s, f"time since the first point, {name}"
    return curve.at, f"{name_of(curve.along)}, {_unit(curve)}"


def _unit(curve: Curve) -> str:
    return "°C" if curve.unit == "C" else curve.unit


def _y(curve: Curve) -> str:
    return "change, ppm" if curve.relative else "offset, ppm"


def _draw_limit(axes: "Axes", limit: float, curves: Sequence[Curve]) -> bool:
    """Draw both limits where they are near the data; tell whether they were drawn."""
    reach = max(float(np.abs(one.ppm).max(initial=0.0)) for one in curves)
    if limit > _NEAR * max(reach, 1e-12):
        return False
    for side in (-limit, limit):
        axes.axhline(side, color=ACCENT, linestyle="--", linewidth=1.4)
    axes.axhline(0.0, color=FAINT, linewidth=0.8)
    return True


def _caption(curve: Curve, limit: float | None, *, drawn: bool) -> str:
    what = "change" if curve.relative else "offset"
    said = f"Frequency {what} against {name_of(curve.along)}"
    if curve.relative:
        said += ", from the reference points"
    if {1, -1} & {int(way) for way in curve.way}:
        said += "; rising and falling told apart"
    if curve.dips:
        said += "; activity dips shaded"
    if limit is not None:
        where = "dashed" if drawn else "outside the picture"
        said += f"; limits of +-{as_stated(limit)} ppm {where}"
    return said


def _in_words(curve: Curve) -> str:
    low, high = float(curve.ppm.min()), float(curve.ppm.max())
    begin, end = float(curve.at.min()), float(curve.at.max())
    said = (
        f"{len(curve.at)} points from {three_digits(begin)} to {three_digits(end)} "
        f"{curve.unit}; from {' to '.join(ends_texts(low, high))} ppm, U at most "
        f"{three_digits(float(curve.u_ppm.max()))} ppm."
    )
    for dip in curve.dips:
        said += (
            f" A departure of {format_ppm(dip.size_ppm, dip.u_ppm)} ppm at "
            f"{as_stated(round(dip.at_c, 1))} C."
        )
    return said


def _all_in_words(several: Sequence[NamedCurve]) -> str:
    span = {one.device: float(np.ptp(one.curve.ppm)) for one in several}
    widest, least = max(span, key=lambda d: span[d]), min(span, key=lambda d: span[d])
    return (
        f"Curves of {len(several)} devices. From lowest to highest, "
        f"{printed(widest)} covers the most, {three_digits(span[widest])} ppm, and "
        f"{printed(least)} the least, {three_digits(span[least])} ppm."
    )
