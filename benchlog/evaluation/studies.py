"""From runs in the database to the arrays that laws and stability are fitted to."""

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.fitting import observations as of_readings
from benchlog.analysis.fitting.temperature import TemperatureData
from benchlog.analysis.pulses.trains import phase_series
from benchlog.analysis.series import Series, series_from_frequencies
from benchlog.analysis.stability.stamp_noise import StampNoise, stamp_noise
from benchlog.errors import DataError
from benchlog.model import Columns, Run
from benchlog.store.reader import Reader
from benchlog.verdict.judging import as_readings, judge_for
from benchlog.verdict.pulsejudge import PulseJudge

Array = NDArray[np.float64]


def series_of(reader: Reader, run: Run) -> Series:
    """Return the fractional frequency of a run on its grid, gaps left empty.

    A run of pulses gives phase.

    Raises DataError when the run cannot give one.
    """
    judge = judge_for(run)
    if isinstance(judge, PulseJudge):
        judge.feed_pulses(reader.pulses_after(run.id))
        return phase_series(judge.comparison())
    found = reader.frequencies(run.id)
    return series_from_frequencies(found, run.nominal_hz, run.divider)


def stamps_of(run: Run, series: Series) -> StampNoise | None:
    """Return what stamps add to the stability of a run of pulses; None for readings.

    Raises DataError when the series cannot tell.
    """
    return stamp_noise(series) if isinstance(judge_for(run), PulseJudge) else None


def temperature_data(reader: Reader, runs: Sequence[Run]) -> TemperatureData:
    """Return times, ambient and corrected offset of runs, in the order of time.

    Raises DataError when several runs cannot be put on one axis of time.
    """
    for run in runs if len(runs) > 1 else ():
        first = reader.columns_after(run.id, limit=1)
        if len(first) and first.utc_ns[0] < 0:
            raise DataError(
                f"run {run.id} has no time stamps: nobody knows when it was, beside "
                "the others; take it alone"
            )
    return of_readings.together(
        [of_readings.observed(_chunks(reader, run), run) for run in runs]
    )


def _chunks(reader: Reader, run: Run) -> Iterator[Columns]:
    """Yield a run's readings; of pulses, the offsets over stretches of it."""
    found = as_readings(run, lambda: reader.pulses_after(run.id))
    if found is None:
        yield from reader.chunks(run.id)
    else:
        yield found


def days_and_offsets(reader: Reader, runs: Sequence[Run]) -> tuple[Array, Array]:
    """Return days since the first reading and offsets in ppm, for ageing."""
    return of_readings.days_and_offsets(temperature_data(reader, runs))
