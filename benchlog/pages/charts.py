"""The pictures of one run: where it lies, how it went, how it scatters."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.placed_steps import PlacedStep
from benchlog.analysis.spread import Spread
from benchlog.analysis.thinning import ThinnedRun, broken_at_gaps
from benchlog.pages.content import Chart
from benchlog.plotting.pictures import (
    ACCENT,
    FAINT,
    INK,
    SERIES,
    new_figure,
)
from benchlog.units import (
    as_stated,
    format_duration,
    format_ppm,
    format_u_ppm,
    signed_digits,
    three_digits,
)
from benchlog.verdict.run.assessment import Assessment

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Array = NDArray[np.float64]
_WIDE: Final = (7.2, 3.4)
_TALL: Final = (7.2, 4.4)
_FLAT: Final = (7.2, 1.3)
_LOW: Final = (7.2, 1.7)
BAND: Final = SERIES[2]
STEP: Final = SERIES[3]
_NEAR: Final = 4.0
"""A limit is drawn when it lies within so many spans of the data."""
_MOST_GAPS: Final = 300
_TIMES: Final = (
    (172_800.0, 86_400.0, "days"),
    (7_200.0, 3_600.0, "h"),
    (240.0, 60.0, "min"),
)


def time_unit(span_s: float) -> tuple[float, str]:
    """Return what one unit of a time axis is worth in s, and its name."""
    for least_s, worth_s, name in _TIMES:
        if span_s >= least_s:
            return worth_s, name
    return 1.0, "s"


def standing_chart(assessment: Assessment) -> Chart | None:
    """Draw the judged offset with its uncertainty between the limits.

    Beside it the offset as measured, where that is another. None without a limit.
    """
    limit, marks = assessment.limit, _marks(assessment)
    if not marks or not limit.known or limit.ppm <= 0:
        return None
    figure, (axes,) = new_figure(size=_FLAT if len(marks) == 1 else _LOW)
    reach = 1.15 * max(limit.ppm, *(abs(ppm) + (u or 0.0) for _, ppm, u in marks))
    axes.axvspan(-limit.ppm, limit.ppm, color=FAINT, alpha=0.18, linewidth=0)
    draw_limits(axes, limit.ppm)
    axes.axvline(0.0, color=FAINT, linewidth=0.8)
    for row, (_, ppm, u) in enumerate(marks):
        axes.errorbar(
            [ppm],
            [-row],
            xerr=[u or 0.0],
            fmt="D",
            color=INK,
            capsize=6,
            markersize=7,
            markerfacecolor=INK if row == 0 else "none",
        )
    axes.set(xlim=(-reach, reach), ylim=(0.6 - len(marks), 0.6), yticks=[])
    axes.set_xlabel("offset, ppm")
    if len(marks) > 1:
        axes.set_yticks(
            [-row for row in range(len(marks))], [name for name, *_ in marks]
        )
    said = "; ".join(
        f"{name}, {format_ppm(ppm, u)} +- {format_u_ppm(u)} ppm, is at "
        f"{ppm / limit.ppm:+.0%} of the limit"
        for name, ppm, u in marks
    )
    named = "" if len(marks) == 1 else ": judged (filled) and as measured (hollow)"
    return Chart(
        f"Offset against the limits, +-{as_stated(limit.ppm)} ppm{named}",
        f"A scale from minus to plus {three_digits(reach)} ppm. The offset {said}; the "
        f"limits at plus and minus {as_stated(limit.ppm)} ppm are dashed.",
        figure,
    )


def _marks(a: Assessment) -> list[tuple[str, float, float | None]]:
    """Return name, offset and U, ppm: as judged, and as measured where that differs."""
    at, marks = a.at_reference, list[tuple[str, float, float | None]]()
    if at is not None and at.offset_ppm is not None:
        marks.append((f"at {as_stated(at.temperature_c)} °C", at.offset_ppm, at.u_ppm))
    if a.offset_ppm is not None:
        marks.append(("as measured", a.offset_ppm, a.u_ppm))
    return marks


def draw_limits(axes: "Axes", limit_ppm: float) -> None:
    """Draw both limits as dashed lines across an axis of offsets."""
    for side in (-limit_ppm, limit_ppm):
        axes.axvline(side, color=ACCENT, linestyle="--", linewidth=1.4)


def course_chart(
    trace: ThinnedRun, assessment: Assessment, steps: Sequence[PlacedStep] = ()
) -> Chart:
    """Draw offset against time: mean with its U, gaps, steps, limits where near.

    Ambient has an axis of its own below.
    """
    known = np.isfinite(trace.ambient_c)
    has_ambient = bool(known.any())
    figure, axes = (
        new_figure(2, size=_TALL, heights=(3, 1))
        if has_ambient
        else new_figure(size=_WIDE)
    )
    worth_s, unit = time_unit(float(trace.t_s[-1]))
    drawn = broken_at_gaps(trace)
    t = drawn.t_s / worth_s
    if trace.thinned:
        axes[0].fill_between(
            t, drawn.low_ppm, drawn.high_ppm, color=INK, alpha=0.35, linewidth=0.3
        )
    style = "-" if trace.thinned else ".-"
    axes[0].plot(t, drawn.mean_ppm, style, color=INK, linewidth=0.9, markersize=3)
    _draw_gaps(axes[0], trace.gaps_s / worth_s)
    for step in steps:
        axes[0].axvline(step.at_s / worth_s, color=STEP, linestyle="-.", linewidth=1.4)
    parts = [
        ("gaps shaded" if len(trace.gaps_s) else "", ""),
        _draw_band(axes[0], trace, assessment),
        _steps_said(steps, worth_s, unit),
        _draw_limits(axes[0], trace, assessment),
        _draw_ambient(axes[-1], t, drawn.ambient_c)
        if has_ambient
        else ("", " Ambient temperature is not known."),
    ]
    axes[0].set_ylabel("offset, ppm")
    axes[-1].set_xlabel(f"time since the first reading, {unit}")
    if has_ambient:
        axes[1].sharex(axes[0])
        axes[0].tick_params(labelbottom=False)
    return Chart(
        "Offset against time, corrected for the time base"
        + "".join(f"; {caption}" for caption, _ in parts if caption),
        _course_in_words(trace, assessment) + "".join(words for _, words in parts),
        figure,
    )


def _draw_band(axes: "Axes", trace: ThinnedRun, a: Assessment) -> tuple[str, str]:
    """Draw the mean with its U as a band, where the readings can still be seen."""
    offset, u = a.offset_ppm, a.u_ppm
    if offset is None or u is None:
        return "", " The uncertainty of the mean is not known."
    said = f"{format_ppm(offset, u)} +- {format_u_ppm(u)} ppm"
    low, high = float(trace.low_ppm.min()), float(trace.high_ppm.max())
    if 2 * u > _NEAR * max(high - low, 1e-9):
        caption = f"U of the mean, +-{format_u_ppm(u)} ppm, is wider than the picture"
        return caption, f" The mean is {said}: its uncertainty is wider."
    axes.axhline(offset, color=BAND, linewidth=1.0)
    axes.axhspan(offset - u, offset + u, color=BAND, alpha=0.2, linewidth=0)
    caption = "the mean, a line, with its U (95 %), the band about it"
    return caption, f" The mean, {said}, is drawn as a line within its band."


def _steps_said(
    steps: Sequence[PlacedStep], worth_s: float, unit: str
) -> tuple[str, str]:
    if not steps:
        return "", ""
    said = ", ".join(
        f"{format_ppm(one.size_ppm, abs(one.size_ppm) / 20)} ppm at "
        f"{three_digits(one.at_s / worth_s)} {unit}"
        for one in steps
    )
    word = "step" if len(steps) == 1 else "steps"
    return (
        f"{word} dash-dotted: {said}",
        f" A dash-dotted line marks each step: {said}.",
    )


def _draw_gaps(axes: "Axes", gaps: Array) -> None:
    longest = np.argsort(gaps[:, 0] - gaps[:, 1], kind="stable")[:_MOST_GAPS]
    for begin, end in gaps[longest]:
        axes.axvspan(begin, end, color=FAINT, alpha=0.35, linewidth=0.6)


def _draw_limits(
    axes: "Axes", trace: ThinnedRun, assessment: Assessment
) -> tuple[str, str]:
    limit = assessment.limit
    if not limit.known:
        return "", " No limit is known."
    low, high = float(trace.low_ppm.min()), float(trace.high_ppm.max())
    span = max(high - low, 1e-9)
    near = [
        side
        for side in (-limit.ppm, limit.ppm)
        if low - _NEAR * span <= side <= high + _NEAR * span
    ]
    for side in near:
        axes.axhline(side, color=ACCENT, linestyle="--", linewidth=1.4)
    if near:
        return "limits dashed", " Limits in the picture are dashed."
    said = f"the limits of +-{as_stated(limit.ppm)} ppm lie outside the picture"
    return said, f" {said[0].upper()}{said[1:]}."


def _draw_ambient(axes: "Axes", t: Array, ambient_c: Array) -> tuple[str, str]:
    known = np.isfinite(ambient_c)
    axes.plot(t, ambient_c, "-", color=ACCENT, linewidth=1.1)
    axes.set_ylabel("ambient, °C")
    low, high = float(ambient_c[known].min()), float(ambient_c[known].max())
    if high - low < 1.0:
        middle = (low + high) / 2
        axes.set_ylim(middle - 1.0, middle + 1.0)
    return (
        "ambient below",
        f" Ambient temperature, below, from {low:.1f} to {high:.1f} C.",
    )


def _course_in_words(trace: ThinnedRun, assessment: Assessment) -> str:
    low, high = float(trace.low_ppm.min()), float(trace.high_ppm.max())
    u = (high - low) / 100 or None
    slope = assessment.stats.slope_ppm_per_s
    drift = (
        ""
        if slope is None
        else f", a straight line through it {signed_digits(slope * 3600)}"
    )
    return (
        f"Offset over {format_duration(float(trace.t_s[-1]))}: {trace.readings:,} "
        f"readings between {format_ppm(low, u)} and {format_ppm(high, u)} ppm"
        f"{drift}{' ppm per hour' if drift else ''}. "
        f"{_gaps_said(len(trace.gaps_s))}"
    )


def _gaps_said(count: int) -> str:
    return "1 gap, shaded." if count == 1 else f"{count} gaps, shaded."


def histogram_chart(spread: Spread | None, assessment: Assessment) -> Chart | None:
    """Draw how the readings' offsets are spread; None where that is not known."""
    if spread is None:
        return None
    from matplotlib.ticker import MaxNLocator  # noqa: PLC0415 - heavy

    counts, edges = spread.counts, spread.edges_ppm
    figure, (axes,) = new_figure(size=(7.2, 2.6))
    axes.stairs(counts, edges, fill=True, color=INK, alpha=0.55)
    axes.yaxis.set_major_locator(MaxNLocator(integer=True))
    axes.set(xlabel="offset, ppm", ylabel="readings")
    top = int(np.argmax(counts))
    rms = assessment.stats.jitter_ppm_rms
    scatter = "" if rms is None else f" Scatter {three_digits(rms)} ppm rms."
    u = spread.span_ppm / 100
    return Chart(
        "How the readings are spread",
        f"Histogram of {counts.sum():,} readings in {len(counts)} bins from "
        f"{format_ppm(float(edges[0]), u)} to {format_ppm(float(edges[-1]), u)} ppm, "
        f"highest near {format_ppm(float(edges[top : top + 2].mean()), u)} ppm."
        + scatter,
        figure,
    )
