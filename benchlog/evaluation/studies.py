"""From runs in the database to the arrays that laws and stability are fitted to."""

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.fitting import observations as of_readings
from benchlog.analysis.fitting.temperature import TemperatureData
from benchlog.analysis.pulses.trains import phase_series
from benchlog.analysis.series import Series, series_from_frequencies
from benchlog.analysis.stability.estimation import Stability
from benchlog.analysis.stability.stamp_noise import StampNoise, stamp_noise
from benchlog.errors import DataError
from benchlog.evaluation.run_evaluation import RunEvaluator
from benchlog.model import Columns, Run
from benchlog.store.reader import Reader

Array = NDArray[np.float64]


def series_of(reader: Reader, run: Run) -> Series:
    """Return the fractional frequency of a run on its grid, gaps left empty.

    A run of pulses gives phase.

    Raises DataError when the run cannot give one.
    """
    evaluator = RunEvaluator(run)
    if evaluator.of_pulses:
        evaluator.feed(reader.pulses_after(run.id))
        return phase_series(evaluator.trains()[0])
    found = reader.frequencies(run.id)
    return series_from_frequencies(found, run.nominal_hz, run.divider)


def stamps_of(series: Series) -> StampNoise | None:
    """Return what stamps add to the stability of a run of pulses; None for readings.

    Raises DataError when the series cannot tell.
    """
    return stamp_noise(series) if series.data == "phase" else None


def with_stamps(found: Stability, stamps: StampNoise | None) -> Stability:
    """Return a stability whose notes say first what stamps of pulses add to it."""
    if stamps is None:
        return found
    return replace(found, notes=(stamps.text, *found.notes))


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
    evaluator = RunEvaluator(run)
    if evaluator.of_pulses:
        evaluator.feed(reader.pulses_after(run.id))
        yield evaluator.charted()
    else:
        yield from reader.chunks(run.id)


def days_and_offsets(reader: Reader, runs: Sequence[Run]) -> tuple[Array, Array]:
    """Return days since the first reading and offsets in ppm, for ageing."""
    return of_readings.days_and_offsets(temperature_data(reader, runs))
