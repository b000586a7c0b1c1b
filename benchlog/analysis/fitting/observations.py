"""Readings as the laws take them in, and the fitted laws as curves for pictures."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.fitting.ageing import Ageing
from benchlog.analysis.fitting.temperature import TemperatureData, TemperatureFit
from benchlog.analysis.fitting.thermal_lag import lagging
from benchlog.analysis.settling import without_settling
from benchlog.model import Columns, Run
from benchlog.units import NS_PER_S, SECONDS_PER_DAY

Array = NDArray[np.float64]


def observed(chunks: Iterable[Columns], run: Run) -> TemperatureData:
    """Return times, ambient and offset, corrected for the time base, of a run.

    Times are UTC where every reading has one, else those of its monotonic clock;
    readings from before the device had settled are left out.
    """
    kept = [without_settling(chunk)[0] for chunk in chunks]
    utc_ns, mono_ns = (
        np.concatenate([np.empty(0, np.int64), *(getattr(one, name) for one in kept)])
        for name in ("utc_ns", "mono_ns")
    )
    hertz, ambient_c = (
        np.concatenate([np.empty(0), *(getattr(one, name) for one in kept)])
        for name in ("frequency_hz", "ambient_c")
    )
    ns = utc_ns if bool(np.all(utc_ns >= 0)) else mono_ns
    base_ppm = run.timebase.offset_ppm if run.timebase is not None else 0.0
    nominal_hz = run.nominal_hz / run.divider
    read_ppm = (hertz - nominal_hz) / nominal_hz * 1e6
    corrected = read_ppm + base_ppm + read_ppm * base_ppm * 1e-6
    return TemperatureData(ns / NS_PER_S, ambient_c, corrected, run.thermometer_u_c)


def together(parts: Sequence[TemperatureData]) -> TemperatureData:
    """Put runs together, in the order of time."""
    t_s, ambient_c, ppm = (
        np.concatenate([getattr(part, name) for part in parts])
        for name in ("t_s", "ambient_c", "offset_ppm")
    )
    order = np.argsort(t_s, kind="stable")
    stated = [part.thermometer_u_c for part in parts]
    known = [one for one in stated if one is not None]
    u_c = max(known) if len(known) == len(stated) else None
    return TemperatureData(t_s[order], ambient_c[order], ppm[order], u_c)


# --- fitted laws as curves through the data they were fitted to, for pictures


@dataclass(frozen=True, slots=True)
class TemperatureView:
    """What to draw of a temperature fit; arrays of equal length.

    `temperature_c` is ambient with the fitted lag; a fitted drift is taken off
    `offset_ppm`, so that `law_ppm` is a line through it.
    """

    temperature_c: Array
    offset_ppm: Array
    law_ppm: Array


def temperature_view(data: TemperatureData, found: TemperatureFit) -> TemperatureView:
    """Return the readings with known ambient, and the fitted law at each of them."""
    known = np.isfinite(data.ambient_c) & np.isfinite(data.offset_ppm)
    t_s, offset = data.t_s[known], data.offset_ppm[known]
    temperature = lagging(t_s, data.ambient_c[known], found.lag_s)
    if found.ageing is not None:
        offset = offset - found.ageing.value * (t_s - t_s[0]) / SECONDS_PER_DAY
    dt = temperature - found.reference_c
    law = np.zeros_like(dt)
    for power, coefficient in enumerate(found.coefficients, start=1):
        law += coefficient.value * dt**power
    law += float(np.mean(offset - law))
    return TemperatureView(temperature, offset, law)


def aged_ppm(days: Array, offset_ppm: Array, found: Ageing) -> Array:
    """Return the fitted ageing law at each time, shape (n,), in ppm."""
    values = {c.name: c.value for c in found.coefficients}
    if found.law == "linear":
        shape = found.coefficients[0].value * days
    else:
        shape = values["A"] * np.log1p(values["B"] * days)
    curve: Array = shape + float(np.mean(offset_ppm - shape))
    return curve
