"""From runs in the database to the arrays that laws and stability are fitted to."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.series import Series, series_from_columns
from benchlog.analysis.settling import without_settling
from benchlog.analysis.temperature import TemperatureData
from benchlog.model import Columns, Run
from benchlog.store.reader import Reader
from benchlog.units import NS_PER_S, SECONDS_PER_DAY

Array = NDArray[np.float64]


def series_of(reader: Reader, run: Run) -> Series:
    """Return the fractional frequency of a run on its grid, gaps left empty.

    Raises DataError when the run cannot give one.
    """
    return series_from_columns(_kept(reader, run), run.nominal_hz, run.divider)


def temperature_data(reader: Reader, runs: Sequence[Run]) -> TemperatureData:
    """Return times, ambient and corrected offset of runs, in the order of time."""
    parts = [_offsets(_kept(reader, run), run) for run in runs]
    t_s, ambient_c, ppm = (np.concatenate(found) for found in zip(*parts, strict=True))
    order = np.argsort(t_s, kind="stable")
    return TemperatureData(t_s[order], ambient_c[order], ppm[order])


def days_and_offsets(reader: Reader, runs: Sequence[Run]) -> tuple[Array, Array]:
    """Return days since the first reading and offsets in ppm, for ageing."""
    data = temperature_data(reader, runs)
    later = np.concatenate(([True], np.diff(data.t_s) > 0))
    return data.t_s[later] / SECONDS_PER_DAY, data.offset_ppm[later]


def _kept(reader: Reader, run: Run) -> Columns:
    return without_settling(reader.columns_after(run.id))[0]


def _offsets(columns: Columns, run: Run) -> tuple[Array, Array, Array]:
    base_ppm = run.timebase.offset_ppm if run.timebase is not None else 0.0
    nominal_hz = run.nominal_hz / run.divider
    read_ppm = (columns.frequency_hz - nominal_hz) / nominal_hz * 1e6
    stamped = bool(len(columns)) and bool(np.all(columns.utc_ns >= 0))
    ns = columns.utc_ns if stamped else columns.mono_ns
    corrected = read_ppm + base_ppm + read_ppm * base_ppm * 1e-6
    return ns / NS_PER_S, columns.ambient_c, corrected
