"""From runs in the database to the arrays that laws and stability are fitted to."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.fitting import observations as of_readings
from benchlog.analysis.fitting.ageing import HORIZONS_YEARS
from benchlog.analysis.fitting.ageing_beside_ambient import (
    AgeingBesideAmbient,
    ageing_beside_ambient,
)
from benchlog.analysis.fitting.temperature import TemperatureData, law_of
from benchlog.analysis.phase_points import series_from_phases
from benchlog.analysis.pulses.views import phase_series
from benchlog.analysis.series import UNSTATED, Series, series_from_frequencies
from benchlog.analysis.stability.estimation import Stability
from benchlog.analysis.stability.stamp_noise import StampNoise, stamp_noise
from benchlog.errors import DataError
from benchlog.evaluation.figured import (
    figured,
    figured_frequencies,
    figured_phases,
)
from benchlog.evaluation.run_evaluation import RunEvaluator
from benchlog.evaluation.run_time.own_time import by_clock, in_own_time
from benchlog.evaluation.run_time.steady_time import SteadyTime, segmented_events
from benchlog.evaluation.step_events import without_steps
from benchlog.model import Columns, Counting, Event, Purpose, Run
from benchlog.store.reader import Reader
from benchlog.units import NS_PER_S, signed_digits

Array = NDArray[np.float64]


def series_of(reader: Reader, run: Run) -> Series:
    """Return the fractional frequency of a run on its grid, gaps left empty.

    A run of pulses gives phase, and so does one that was imported from phase.

    Raises DataError when the run cannot give one.
    """
    evaluator = RunEvaluator(run)
    if evaluator.of_pulses:
        evaluator.feed(reader.pulses_after(run.id))
        return phase_series(evaluator.trains()[0])
    imported = imported_phase(reader, run)
    if imported is not None:
        return imported
    found = in_own_time(reader, run, figured_frequencies(reader, run.id))
    counting = counting_of(run)
    return series_from_frequencies(found, run.nominal_hz, run.divider, counting)


def counting_of(run: Run) -> Counting:
    """Return how the counter of a run counts, as it was stated when it began."""
    return UNSTATED if run.counter_spec is None else run.counter_spec.counts


def imported_phase(reader: Reader, run: Run) -> Series | None:
    """Return the phase that a run was imported from, None where it is another run.

    Phase is relative to the nominal frequency that it was imported with: where the run
    was corrected to a part of another one, its frequencies tell. Raises DataError.
    """
    if run.purpose is not Purpose.IMPORT or run.nominal_hz != run.begun_as.nominal_hz:
        return None
    found = figured_phases(run.id, reader.phases(run.id))
    return series_from_phases(found) if len(found) else None


def stamps_of(run: Run, series: Series) -> StampNoise | None:
    """Return what stamps add to the stability of a run of pulses; None for readings.

    Raises DataError when the series cannot tell.
    """
    return stamp_noise(series) if RunEvaluator(run).of_pulses else None


def with_stamps(found: Stability, stamps: StampNoise | None) -> Stability:
    """Return a stability whose notes say first what stamps of pulses add to it."""
    if stamps is None:
        return found
    return replace(found, notes=(stamps.text, *found.notes))


def level_temperature_data(
    reader: Reader,
    runs: Sequence[Run],
    answers_s: Sequence[float] = (),
    clock: SteadyTime | None = None,
) -> tuple[TemperatureData, tuple[str, ...]]:
    """Return times, ambient and corrected offset of runs, in the order of time, level.

    Steps that were found are taken off, and notes tell so: neither temperature nor time
    made them. Those about one of `answers_s` (UTC in s) stay; a run of pulses has none.
    Times are those of `clock`, one run's, where one is given, else each run's own.
    Raises DataError when several runs cannot be put on one axis of time.
    """
    _on_one_axis(reader, runs)
    parts: list[TemperatureData] = []
    notes: list[str] = []
    for run in runs:
        chunks = _chunks(reader, run)
        of_pulses = RunEvaluator(run).of_pulses
        segmented = [] if of_pulses else segmented_events(reader, run)
        own = clock or SteadyTime(segmented)
        if clock is not None or not of_pulses:
            chunks = (by_clock(own, columns) for columns in chunks)
        data = of_readings.observed(chunks, run)
        if not of_pulses:
            shifts = _shifts_s(own, segmented)
            events = [event for _, event in segmented]
            data, steps = without_steps(data, events, answers_s, shifts)
            notes += [
                f"a step of {signed_digits(step.size_ppm)} ppm in run {run.id} was "
                "taken off: neither ambient nor time made it"
                for step in steps
            ]
        parts.append(data)
    return of_readings.together(parts), tuple(notes)


def _shifts_s(
    clock: SteadyTime, events: Sequence[tuple[int | None, Event]]
) -> Callable[[Event], float]:
    """Return how far each event's own time is from that of the readings, s."""
    known = {
        id(event): (clock.of_event(segment, event) - event.utc_ns) / NS_PER_S
        for segment, event in events
    }
    return lambda event: known[id(event)]


def _on_one_axis(reader: Reader, runs: Sequence[Run]) -> None:
    for run in runs if len(runs) > 1 else ():
        first = reader.columns_after(run.id, limit=1)
        if len(first) and first.utc_ns[0] < 0:
            raise DataError(
                f"run {run.id} has no time stamps: nobody knows when it was, beside "
                "the others; take it alone"
            )


def _chunks(reader: Reader, run: Run) -> Iterator[Columns]:
    """Yield a run's readings; of pulses, the offsets over stretches of it."""
    evaluator = RunEvaluator(run)
    if evaluator.of_pulses:
        evaluator.feed(reader.pulses_after(run.id))
        yield evaluator.charted()
    else:
        for columns in reader.chunks(run.id):
            yield figured(run.id, columns)


def ageing_of(
    reader: Reader,
    runs: Sequence[Run],
    horizons_years: Sequence[float] = HORIZONS_YEARS,
) -> AgeingBesideAmbient:
    """Return the ageing of runs of one device, what ambient and steps did taken out.

    The temperature law is the usual one of the part's kind. Raises DataError as
    `level_temperature_data` and `ageing` do.
    """
    part = runs[0].part
    data, steps = level_temperature_data(reader, runs)
    found = ageing_beside_ambient(
        data,
        law_of(part.kind),
        reference_c=part.limits.reference_c,
        horizons_years=horizons_years,
    )
    return replace(found, steps=steps)
