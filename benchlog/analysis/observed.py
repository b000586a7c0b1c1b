"""A run's readings as laws of temperature and ageing take them in."""

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.settling import without_settling
from benchlog.analysis.temperature import TemperatureData
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
    return TemperatureData(ns / NS_PER_S, ambient_c, corrected)


def together(parts: Sequence[TemperatureData]) -> TemperatureData:
    """Put runs together, in the order of time."""
    t_s, ambient_c, ppm = (
        np.concatenate([getattr(part, name) for part in parts])
        for name in ("t_s", "ambient_c", "offset_ppm")
    )
    order = np.argsort(t_s, kind="stable")
    return TemperatureData(t_s[order], ambient_c[order], ppm[order])


def days_and_offsets(data: TemperatureData) -> tuple[Array, Array]:
    """Return days since the first reading, rising, and offsets in ppm, for ageing."""
    later = np.concatenate(([True], np.diff(data.t_s) > 0))[: len(data.t_s)]
    t_s = data.t_s[later]
    first_s = t_s[0] if len(t_s) else 0.0
    return (t_s - first_s) / SECONDS_PER_DAY, data.offset_ppm[later]
