"""Ageing of readings whose ambient temperature moved: what ambient did is taken out.

The temperature law is found first, with a drift beside it and with its thermal lag.
Its terms then stand in every fit of ageing, so that the interval of a drift includes
what cannot be told from the room.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.fitting.ageing import HORIZONS_YEARS, Ageing, ageing
from benchlog.analysis.fitting.temperature import (
    DEGREES,
    LEAST_SPAN_C,
    TemperatureData,
    TemperatureFit,
    fit_temperature,
)
from benchlog.analysis.fitting.thermal_lag import lagging
from benchlog.errors import DataError
from benchlog.units import (
    SECONDS_PER_DAY,
    two_digits,
)

Array = NDArray[np.float64]

NO_AMBIENT = "no ambient temperature was recorded: what the room did is in this drift"


@dataclass(frozen=True, slots=True, kw_only=True)
class AgeingBesideAmbient:
    """Both laws of ageing, the preferred one first, and the readings they are held to.

    `days`, shape (n,), since the first reading; `offset_ppm`, shape (n,), with what
    ambient did taken off; `ambient` tells what was done about ambient, `steps` which
    steps were taken off before.
    """

    first: Ageing
    second: Ageing
    days: Array
    offset_ppm: Array
    ambient: str
    steps: tuple[str, ...] = ()


def ageing_beside_ambient(
    data: TemperatureData,
    law: str,
    *,
    reference_c: float = 25.0,
    horizons_years: Sequence[float] = HORIZONS_YEARS,
) -> AgeingBesideAmbient:
    """Fit ageing to readings, with the temperature law `law` beside it.

    Where ambient is unknown, hardly moved, or moved with time alone, ageing is fitted
    without it, and `ambient` tells so. Raises DataError as `ageing` does.
    """
    known_c = data.ambient_c[np.isfinite(data.ambient_c)]
    if not len(known_c):
        return _alone(data, NO_AMBIENT, horizons_years)
    if (span_c := float(np.ptp(known_c))) < LEAST_SPAN_C:
        steady = f"ambient varied by {two_digits(span_c)} C only: nothing was taken out"
        return _alone(data, steady, horizons_years)
    try:
        found = fit_temperature(data, law, reference_c=reference_c, with_ageing=True)
        return _beside(data, found, horizons_years)
    except DataError as error:
        why = f"what the room did is in this drift, it cannot be taken out: {error}"
        return _alone(data, why, horizons_years)


def _alone(
    data: TemperatureData, ambient: str, years: Sequence[float]
) -> AgeingBesideAmbient:
    at, days = _rising(data.t_s)
    ppm = data.offset_ppm[at]
    first, second = ageing(days, ppm, years)
    return AgeingBesideAmbient(
        first=first, second=second, days=days, offset_ppm=ppm, ambient=ambient
    )


def _beside(
    data: TemperatureData, found: TemperatureFit, years: Sequence[float]
) -> AgeingBesideAmbient:
    at, _ = _rising(data.t_s)
    known = at[np.isfinite(data.ambient_c[at])]
    t_s, ppm = data.t_s[known], data.offset_ppm[known]
    days = (t_s - t_s[0]) / SECONDS_PER_DAY
    body_c = lagging(t_s, data.ambient_c[known], found.lag_s)
    powers = range(1, DEGREES[found.law] + 1)
    terms = np.column_stack([(body_c - found.reference_c) ** k for k in powers])
    first, second = ageing(days, ppm, years, beside=terms)
    by_ambient = terms @ np.array([one.value for one in found.coefficients])
    left_out = len(at) - len(known)
    said = (
        f"what ambient did is taken out by a {found.law} over {found.low_c:.1f} to "
        f"{found.high_c:.1f} C, fitted together with the drift"
    )
    if left_out:
        said += f"; {left_out:,} readings without ambient are left out"
    return AgeingBesideAmbient(
        first=first,
        second=second,
        days=days,
        offset_ppm=ppm - (by_ambient - by_ambient.mean()),
        ambient=said,
    )


def _rising(t_s: Array) -> tuple[NDArray[np.int64], Array]:
    """Return which readings have a later time than any before, and their days."""
    if not len(t_s):
        return np.empty(0, np.int64), np.empty(0)
    later = np.concatenate(([True], np.diff(t_s) > 0))
    at = np.flatnonzero(later)
    return at, (t_s[at] - t_s[0]) / SECONDS_PER_DAY
