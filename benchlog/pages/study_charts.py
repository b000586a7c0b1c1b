"""Pictures of studies: deviations, temperature law, pulse stamps, trim codes."""

import re
from collections.abc import Iterable
from typing import Final

import numpy as np

from benchlog.analysis.fitting.observations import temperature_view
from benchlog.analysis.fitting.temperature import TemperatureData, TemperatureFit
from benchlog.analysis.pulses.trains import TrainComparison
from benchlog.analysis.stability.estimation import Stability
from benchlog.model import Event, EventKind
from benchlog.pages.charts import time_unit
from benchlog.pages.content import Chart, Table, table
from benchlog.plotting.pictures import ACCENT, INK, new_figure
from benchlog.plotting.result_pictures import draw_stability, drawn_rows, in_words
from benchlog.units import (
    as_stated,
    ends_texts,
    format_duration,
    small_time,
    three_digits,
)

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
    axes.set(xlabel="ambient, °C", ylabel="offset, ppm")
    reached = float(view.offset_ppm.min()), float(view.offset_ppm.max())
    axes.legend(frameon=False)
    return Chart(
        f"Offset against ambient temperature, {found.law} fitted",
        f"Offset from {' to '.join(ends_texts(*reached))} ppm "
        f"{found.range_text}, with a fitted {found.law}; "
        f"{three_digits(found.residual_ppm_rms)} ppm rms residual, in means over "
        f"{format_duration(found.residual_over_s)}.",
        figure,
    )


# --- the picture of a run of pulses: how far each stamp lies from the line

_UNITS = ((1.0, "s"), (1e-3, "ms"), (1e-6, "us"), (1e-9, "ns"))
_MOST = 4_000


def timing_chart(found: TrainComparison | None) -> Chart | None:
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
    across = f"time since the first pulse, {unit}"
    axes.set(xlabel=across, ylabel=f"from line, {name.replace('us', 'µs')}")
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


# --- the curve of a trim: offset against code, from what the run told of each code

_CODE: Final = re.compile(r"code (\d+): ([-+]?[\d,]+(?:\.\d+)?) ppm")


def codes_of(events: Iterable[Event]) -> dict[int, tuple[float, str]]:
    """Return offset in ppm, and as it was said, of each code that was measured."""
    found = {}
    for event in events:
        told = _CODE.fullmatch(event.text) if event.kind == EventKind.TRIM else None
        if told is not None:
            said = told.group(2)
            found[int(told.group(1))] = (float(said.replace(",", "")), said)
    return dict(sorted(found.items()))


def trim_chart(codes: dict[int, tuple[float, str]], limit_ppm: float) -> Chart | None:
    """Draw offset against trim code; None below two codes."""
    if len(codes) < 2:
        return None
    from matplotlib.ticker import MaxNLocator  # noqa: PLC0415 - heavy

    best = min(codes, key=lambda code: abs(codes[code][0]))
    figure, (axes,) = new_figure(size=(7.2, 3.2))
    offsets = [offset for offset, _ in codes.values()]
    axes.plot(list(codes), offsets, "o-", color=INK, linewidth=0.9, markersize=4)
    axes.plot([best], [codes[best][0]], "D", color=ACCENT, markersize=8)
    axes.axhline(0.0, color=ACCENT, linewidth=0.8)
    axes.set(xlabel="trim code", ylabel="offset, ppm")
    axes.xaxis.set_major_locator(MaxNLocator("auto", integer=True))
    return Chart(
        f"Offset against trim code; the closest to nominal, {best}, is a diamond",
        f"{len(codes)} codes from {min(codes)} to {max(codes)} were measured; offsets "
        f"from {' to '.join(ends_texts(min(offsets), max(offsets)))} ppm; code "
        f"{best} comes "
        f"closest with {codes[best][1]} ppm. The tolerance is {as_stated(limit_ppm)} "
        "ppm.",
        figure,
    )


def trim_table(codes: dict[int, tuple[float, str]]) -> Table:
    """Return the codes measured, as figures."""
    rows = [(code, said) for code, (_, said) in codes.items()]
    return table(
        "Codes measured, the newest figure of each", ("Code", "Offset, ppm"), rows, "rr"
    )
