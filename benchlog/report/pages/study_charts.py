"""The pictures of studies: stability, and how frequency follows temperature."""

from typing import Final

import numpy as np

from benchlog.analysis.fitting.observations import temperature_view
from benchlog.analysis.fitting.temperature import TemperatureData, TemperatureFit
from benchlog.analysis.stability.estimation import Stability
from benchlog.report.pages.content import Chart
from benchlog.report.plot_stability import draw_stability, drawn_rows, in_words
from benchlog.report.plotting import ACCENT, INK, new_figure
from benchlog.units import format_duration

_SIZE: Final = (7.2, 3.6)


def stability_chart(found: Stability) -> Chart | None:
    """Draw a deviation against averaging time; None when there is nothing to draw."""
    rows = drawn_rows(found)
    if not rows:
        return None
    figure, (axes,) = new_figure(size=_SIZE)
    draw_stability(axes, [found])
    return Chart(
        f"Stability: {found.kind} against averaging time, with 95 % intervals",
        f"{in_words(found)} The table below has the figures.",
        figure,
    )


def temperature_chart(data: TemperatureData, found: TemperatureFit) -> Chart:
    """Draw offset against ambient with the fitted law."""
    view = temperature_view(data, found)
    order = np.argsort(view.temperature_c, kind="stable")
    figure, (axes,) = new_figure(size=_SIZE)
    axes.plot(
        view.temperature_c, view.offset_ppm, ".", color=INK, markersize=3, label="means"
    )
    axes.plot(
        view.temperature_c[order],
        view.law_ppm[order],
        "-",
        color=ACCENT,
        linewidth=1.8,
        label=f"{found.law} fitted",
    )
    axes.set(xlabel="ambient, C", ylabel="offset, ppm")
    axes.legend(frameon=False)
    return Chart(
        f"Offset against ambient temperature, {found.law} fitted",
        f"Offset from {view.offset_ppm.min():.4g} to {view.offset_ppm.max():.4g} ppm "
        f"{found.range_text}, with a fitted {found.law}; "
        f"{found.residual_ppm_rms:.3g} ppm rms are left over, in means over "
        f"{format_duration(found.residual_over_s)}.",
        figure,
    )
