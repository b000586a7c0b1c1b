"""Fitted laws as curves through the data they were fitted to, for pictures."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.ageing import Ageing
from benchlog.analysis.lag import lagging
from benchlog.analysis.temperature import TemperatureData, TemperatureFit
from benchlog.units import SECONDS_PER_DAY

Array = NDArray[np.float64]


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
