"""The picture of a run of pulses: how far each stamp lies from the line."""

import numpy as np

from benchlog.analysis.pulses.trains import Comparison
from benchlog.report.pages.charts import time_unit
from benchlog.report.pages.content import Chart
from benchlog.report.plotting import ACCENT, INK, new_figure
from benchlog.report.words import small_time

_UNITS = ((1.0, "s"), (1e-3, "ms"), (1e-6, "us"), (1e-9, "ns"))
_MOST = 4_000


def timing_chart(found: Comparison | None) -> Chart | None:
    """Draw the time error of each pulse less the fitted line; None below three."""
    if found is None or len(found.t_s) < 3:
        return None
    fit = found.fit
    every = -(-len(found.t_s) // _MOST)
    kept = np.flatnonzero(fit.used)[::every]
    odd = np.flatnonzero(~fit.used)
    worth_s, unit = time_unit(float(found.span_s))
    scale, name = _scale(float(np.abs(fit.residual_s).max()))
    figure, (axes,) = new_figure(size=(7.2, 2.8))
    t, x = found.t_s / worth_s, fit.residual_s / scale
    axes.plot(t[kept], x[kept], ".", color=INK, markersize=3)
    axes.plot(t[odd], x[odd], "x", color=ACCENT, markersize=6)
    axes.axhline(0.0, color=INK, linewidth=0.8)
    axes.set(xlabel=f"time since the first pulse, {unit}", ylabel=f"from line, {name}")
    aside = "" if not len(odd) else f"; {len(odd)} set aside, crosses"
    thinned = "" if every == 1 else f" Every {every}th is drawn."
    return Chart(
        f"Each pulse against the fitted line{aside}",
        f"Time errors of {len(found.t_s):,} pulses less the fitted line: "
        f"{small_time(fit.rms_s)} rms, {small_time(fit.pp_s)} from lowest to highest; "
        f"{len(odd)} set aside as too far from the line.{thinned}",
        figure,
    )


def _scale(most_s: float) -> tuple[float, str]:
    return next((one for one in _UNITS if most_s >= one[0]), _UNITS[-1])
