"""The steps that a run's events tell of, placed among its readings."""

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.fitting.temperature import TemperatureData
from benchlog.analysis.placed_steps import PlacedStep, leveled, placed
from benchlog.analysis.thinning import Measured
from benchlog.model import Event, EventKind
from benchlog.units import NS_PER_S, parse_duration_s

Array = NDArray[np.float64]
_TOLD: Final = re.compile(r"after (\S+Z), within ([\d. a-z]+?)(?::|$)")
_TYPED_S: Final = 30.0  # our rule: how long typing a mark may take
_BACK_S: Final = 60.0  # our rule: where a text does not tell when, so long before it


def steps_of(events: Iterable[Event], readings: Measured) -> tuple[PlacedStep, ...]:
    """Return the steps that events tell of; none where readings have no time stamps."""
    if readings.first_utc_ns < 0:
        return ()
    windows = _windows(events, readings.first_utc_ns)
    return placed(readings.t_s, readings.ppm, windows)


def without_steps(
    data: TemperatureData,
    events: Iterable[Event],
    answers_s: Sequence[float] = (),
    shift_s: Callable[[Event], float] = lambda _: 0.0,
) -> tuple[TemperatureData, tuple[PlacedStep, ...]]:
    """Return one run's data with the steps that its events tell of taken off, and them.

    No temperature made them. `data.t_s` is UTC in s; where it is another clock's no
    event lies within, and there are none. A step within which one of `answers_s`
    (UTC in s) lies answers to what was done then, and stays. `shift_s` brings the times
    that an event tells to those of the data.
    """
    windows = [
        (begin_s, end_s)
        for begin_s, end_s in _shifted_windows(events, shift_s)
        if not any(begin_s - _TYPED_S <= at <= end_s + _TYPED_S for at in answers_s)
    ]
    found = placed(data.t_s, data.offset_ppm, windows)
    level = leveled(data.t_s, data.offset_ppm, found)
    return replace(data, offset_ppm=level), found


def _shifted_windows(
    events: Iterable[Event], shift_s: Callable[[Event], float]
) -> Iterator[tuple[float, float]]:
    for event in events:
        by_s = shift_s(event)
        for begin_s, end_s in _windows([event], 0):
            yield begin_s + by_s, end_s + by_s


def _windows(events: Iterable[Event], first_ns: int) -> Iterator[tuple[float, float]]:
    for event in events:
        if event.kind != EventKind.STEP:
            continue
        at_s = (event.utc_ns - first_ns) / NS_PER_S
        told = _TOLD.search(event.text)
        if told is None:
            yield at_s - _BACK_S, at_s
            continue
        after = datetime.fromisoformat(told[1]).astimezone(UTC).timestamp()
        begin_s = after - first_ns / NS_PER_S
        yield begin_s, begin_s + _seconds(told[2])


def _seconds(text: str) -> float:
    """Read what `format_duration` wrote: `16 s`, `4 min 05 s`."""
    return parse_duration_s(text.replace("min", "m").replace(" ", ""))
