"""The pictures of one run: where it lies, how it went, how it scatters."""

import math
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.thinning import ThinnedRun, broken_at_gaps
from benchlog.pages.content import Chart
from benchlog.plotting.pictures import (
    ACCENT,
    FAINT,
    INK,
    new_figure,
    styled,
)
from benchlog.units import format_duration, format_ppm, format_u_ppm, three_digits
from benchlog.verdict.run.assessment import Assessment

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Array = NDArray[np.float64]
_WIDE: Final = (7.2, 3.4)
_FLAT: Final = (7.2, 1.3)
_NEAR: Final = 4.0
"""A limit is drawn when it lies within so many spans of the data."""
_MOST_GAPS: Final = 300
_BINS: Final = 60
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
    """Draw the offset with its uncertainty between the limits; None without a limit."""
    offset, u, limit = assessment.offset_ppm, assessment.u_ppm, assessment.limit
    if offset is None or not limit.known or limit.ppm <= 0:
        return None
    figure, (axes,) = new_figure(size=_FLAT)
    reach = 1.15 * max(limit.ppm, abs(offset) + (u or 0.0))
    axes.axvspan(-limit.ppm, limit.ppm, color=FAINT, alpha=0.18, linewidth=0)
    for side in (-limit.ppm, limit.ppm):
        axes.axvline(side, color=ACCENT, linestyle="--", linewidth=1.4)
    axes.axvline(0.0, color=FAINT, linewidth=0.8)
    axes.errorbar(
        [offset], [0.0], xerr=[u or 0.0], fmt="D", color=INK, capsize=6, markersize=7
    )
    axes.set(xlim=(-reach, reach), ylim=(-1, 1), yticks=[], xlabel="offset, ppm")
    said = f"{format_ppm(offset, u)} +- {format_u_ppm(u)} ppm"
    return Chart(
        f"Offset against the limits, +-{limit.ppm:,.10g} ppm",
        f"A scale from minus to plus {reach:.3g} ppm. The mark of the measured offset, "
        f"{said}, lies at {offset / limit.ppm:+.0%} of the limit; the limits at plus "
        f"and minus {limit.ppm:,.10g} ppm are dashed.",
        figure,
    )


def course_chart(trace: ThinnedRun, assessment: Assessment) -> Chart:
    """Draw offset against time with gaps, limits where near, ambient at the right."""
    figure, (axes,) = new_figure(size=_WIDE)
    worth_s, unit = time_unit(float(trace.t_s[-1]))
    drawn = broken_at_gaps(trace)
    t = drawn.t_s / worth_s
    if trace.thinned:
        axes.fill_between(
            t, drawn.low_ppm, drawn.high_ppm, color=INK, alpha=0.35, linewidth=0.3
        )
    style = "-" if trace.thinned else ".-"
    axes.plot(t, drawn.mean_ppm, style, color=INK, linewidth=0.9, markersize=3)
    _draw_gaps(axes, trace.gaps_s / worth_s)
    limits = _draw_limits(axes, trace, assessment)
    ambient = _draw_ambient(axes, t, drawn.ambient_c)
    axes.set(xlabel=f"time since the first reading, {unit}", ylabel="offset, ppm")
    return Chart(
        f"Offset against time, corrected for the time base{ambient[0]}{limits[0]}",
        _course_in_words(trace, assessment) + ambient[1] + limits[1],
        figure,
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
        return "; limits dashed", " Limits in the picture are dashed."
    said = f"the limits of +-{limit.ppm:,.10g} ppm lie outside the picture"
    return f"; {said}", f" {said[0].upper()}{said[1:]}."


def _draw_ambient(axes: "Axes", t: Array, ambient_c: Array) -> tuple[str, str]:
    known = np.isfinite(ambient_c)
    if not known.any():
        return "", " Ambient temperature is not known."
    with styled():
        right = axes.twinx()
    right.plot(t, ambient_c, ":", color=ACCENT, linewidth=1.3)
    right.set_ylabel("ambient (dotted), C")
    right.grid(False)
    low, high = float(ambient_c[known].min()), float(ambient_c[known].max())
    if high - low < 1.0:
        middle = (low + high) / 2
        right.set_ylim(middle - 1.0, middle + 1.0)
    return (
        "; ambient dotted, on the right axis",
        f" Ambient temperature, dotted, from {low:.1f} to {high:.1f} C.",
    )


def _course_in_words(trace: ThinnedRun, assessment: Assessment) -> str:
    low, high = float(trace.low_ppm.min()), float(trace.high_ppm.max())
    u = (high - low) / 100 or None
    slope = assessment.stats.slope_ppm_per_s
    drift = "" if slope is None else f", a straight line through it {slope * 3600:+.3g}"
    return (
        f"Offset over {format_duration(float(trace.t_s[-1]))}: {trace.readings:,} "
        f"readings between {format_ppm(low, u)} and {format_ppm(high, u)} ppm"
        f"{drift}{' ppm per hour' if drift else ''}. "
        f"{_gaps_said(len(trace.gaps_s))}"
    )


def _gaps_said(count: int) -> str:
    return "1 gap, shaded." if count == 1 else f"{count} gaps, shaded."


def histogram_chart(ppm: Array, assessment: Assessment) -> Chart | None:
    """Draw how the readings' offsets are spread; None below 10 of them or no scatter.

    Bins after Freedman and Diaconis (Zeitschrift fuer Wahrscheinlichkeitstheorie 57
    (1981) 453), at most 60.
    """
    if len(ppm) < 10 or float(np.ptp(ppm)) <= 0:
        return None
    from matplotlib.ticker import MaxNLocator  # noqa: PLC0415 - heavy

    quarter = float(np.subtract(*np.percentile(ppm, [75, 25])))
    width = 2 * quarter / len(ppm) ** (1 / 3)
    span = float(np.ptp(ppm))
    bins = _BINS if width <= 0 else min(_BINS, max(5, math.ceil(span / width)))
    counts, edges = np.histogram(ppm, bins)
    figure, (axes,) = new_figure(size=(7.2, 2.6))
    axes.stairs(counts, edges, fill=True, color=INK, alpha=0.55)
    axes.yaxis.set_major_locator(MaxNLocator(integer=True))
    axes.set(xlabel="offset, ppm", ylabel="readings")
    top = int(np.argmax(counts))
    rms = assessment.stats.jitter_ppm_rms
    scatter = "" if rms is None else f" Scatter {three_digits(rms)} ppm rms."
    u = span / 100
    return Chart(
        "How the readings are spread",
        f"Histogram of {len(ppm):,} readings in {bins} bins from "
        f"{format_ppm(float(edges[0]), u)} to {format_ppm(float(edges[-1]), u)} ppm, "
        f"highest near {format_ppm(float(edges[top : top + 2].mean()), u)} ppm."
        + scatter,
        figure,
    )
