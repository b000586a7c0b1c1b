"""Points of a device in a sequence: its turns, and the readings of each."""

import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.characteristics.lag import Approach
from benchlog.evaluation.figured import figured
from benchlog.evaluation.run_time.steady_time import SteadyTime, segmented_events
from benchlog.model import (
    STEP_BEGINS,
    Event,
    EventKind,
    Flag,
    QualificationPlan,
    Run,
    StepRecord,
    Turn,
)
from benchlog.store.reader import Reader
from benchlog.units import NS_PER_S
from benchlog.verdict.rack.device_view import DevicePoint

Array = NDArray[np.float64]
_REFUSED: Final = Flag.FAR | Flag.RUSHED
"""Readings that no device of the part gives, or that came too soon: in no point."""


_STILL_C: Final = 0.3
"""So near to where a point was measured the air counts as having arrived; our rule."""
_WHOLE: Final = ("step", "begin_utc_ns", "end_utc_ns", "readings")
_MOST: Final = 1e12  # our rule: seconds, or ppm a minute, that nothing comes near to


@dataclass(frozen=True, slots=True, kw_only=True)
class PointReadings:
    """All good readings of a run: time, offset in ppm, the probe; shape (n,) each.

    `at_ns` goes on evenly (`SteadyTime`); `segment` has the segment of each.
    """

    at_ns: NDArray[np.int64]
    ppm: Array
    ambient_c: Array
    segment: NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class TimedEvent:
    """An event of a run, its segment, and its time as that of the readings."""

    event: Event
    segment: int | None
    at_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _TimedTurn:
    """A turn with its begin and end as the time of the readings, in its segment."""

    turn: Turn
    segment: int | None
    begin_ns: int
    end_ns: int


def device_points(
    reader: Reader, run: Run, plan: QualificationPlan
) -> Iterator[DevicePoint]:
    """Yield the points of a run in the order in which they were measured.

    A turn that cannot be read is left out: its step is a gap then, never a wrong value.
    A step that was begun again after a cut has the points of its last time alone.
    """
    events = segmented_events(reader, run)
    steady = SteadyTime(events)
    timed = (
        TimedEvent(event=one, segment=segment, at_ns=steady.of_event(segment, one))
        for segment, one in events
        if one.kind in (EventKind.SEQUENCE, EventKind.TURN)
    )
    yield from points_of(timed, _readings(reader, run, steady), plan)


def points_of(
    events: Iterable[TimedEvent], readings: PointReadings, plan: QualificationPlan
) -> Iterator[DevicePoint]:
    """Yield the points that a run's events tell of, with the readings of each."""
    steps = {step.index: step for step in plan.steps}
    begun_ns: dict[int, int] = {}
    turns: dict[int, list[_TimedTurn]] = {}
    for one in events:
        event = one.event
        if event.raw is None:
            continue
        if event.kind == EventKind.SEQUENCE:
            told = step_told(event.raw)
            if told is not None and told[1] == STEP_BEGINS:
                turns[told[0]], begun_ns[told[0]] = [], one.at_ns
        elif event.kind == EventKind.TURN and (turn := _turn(event.raw)) is not None:
            turns.setdefault(turn.step, []).append(_timed(turn, one))
    for timed in sorted(
        (one for several in turns.values() for one in several),
        key=lambda one: one.begin_ns,
    ):
        if timed.turn.step in steps:
            since_ns = begun_ns.get(timed.turn.step, timed.begin_ns)
            yield _point(timed, steps[timed.turn.step], readings, since_ns)


def _timed(turn: Turn, told: TimedEvent) -> _TimedTurn:
    """Return a turn in the time of the readings; the event came at its end."""
    end_ns = turn.end_utc_ns + told.at_ns - told.event.utc_ns
    begin_ns = end_ns - turn.took_ns
    return _TimedTurn(turn=turn, segment=told.segment, begin_ns=begin_ns, end_ns=end_ns)


def step_told(raw: bytes) -> tuple[int, str] | None:
    """Return step and what an event of the sequence tells of it; None for nothing."""
    try:
        told = json.loads(raw)
        step, what = told["step"], told["what"]
    except (ValueError, KeyError, TypeError, RecursionError):
        return None
    return (step, what) if _is_count(step) and isinstance(what, str) else None


def _point(
    timed: _TimedTurn, step: StepRecord, readings: PointReadings, since_ns: int
) -> DevicePoint:
    at_ns, begin_ns, end_ns = readings.at_ns, timed.begin_ns, timed.end_ns
    own = readings.segment == timed.segment
    inside = own & (at_ns >= begin_ns) & (at_ns <= end_ns)
    known = readings.ambient_c[inside & np.isfinite(readings.ambient_c)]
    here_c = float(known.mean()) if len(known) else None
    middle_ns = (begin_ns + end_ns) // 2
    settling = inside | own & (at_ns >= since_ns) & (at_ns < begin_ns)
    if here_c is not None:
        settling &= np.abs(readings.ambient_c - here_c) <= _STILL_C
    return DevicePoint(
        turn=timed.turn,
        step=step,
        offsets_ppm=readings.ppm[inside],
        ambient_c=here_c,
        t_s=middle_ns / NS_PER_S,
        approach=Approach(
            before_s=(middle_ns - at_ns[settling]) / NS_PER_S,
            ppm=readings.ppm[settling],
        ),
    )


def _turn(raw: bytes) -> Turn | None:
    """Read a turn; None for what is none."""
    try:
        told = json.loads(raw)
        known = {f.name: told[f.name] for f in fields(Turn) if f.name in told}
        if not all(_is_count(known[name]) for name in _WHOLE):
            return None
        if not all(type(known.get(name, True)) is bool for name in ("settled", "ran")):
            return None
        lasted_ns = known.get("lasted_ns")
        if lasted_ns is not None and not _is_count(lasted_ns):
            return None
        if lasted_ns is None and known["begin_utc_ns"] > known["end_utc_ns"]:
            return None
        for name in ("drift_ppm_per_min", "since_power_s"):
            known[name] = _number(known.get(name))
        if (started := known.get("started_s")) is not None:
            low, high = map(float, started)
            sane = 0.0 <= low <= high < _MOST
            known["started_s"] = (low, high) if sane else None
        return Turn(**known)
    except (ValueError, TypeError, KeyError, OverflowError, RecursionError):
        return None


def _is_count(value: object) -> bool:
    """Whether a value is a whole number that SQLite can hold, not below zero."""
    return type(value) is int and 0 <= value < 2**63


def _number(value: object) -> float | None:
    """Return a number; None for one that cannot be. Raises ValueError for text."""
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError("no number")
    return float(value) if abs(value) < _MOST else None


def _readings(reader: Reader, run: Run, steady: SteadyTime) -> PointReadings:
    """Return time, offset corrected for the time base, and ambient of all readings."""
    kept = [figured(run.id, columns) for columns in reader.chunks(run.id)]
    flags = np.concatenate([np.empty(0, np.int64), *(one.flags for one in kept)])
    good = (flags & int(_REFUSED)) == 0
    times = [steady.of(one.segment, one.utc_ns, one.mono_ns) for one in kept]
    at_ns = np.concatenate([np.empty(0, np.int64), *times])
    segment = np.concatenate([np.empty(0, np.int64), *(one.segment for one in kept)])
    hertz = np.concatenate([np.empty(0), *(one.frequency_hz for one in kept)])
    ambient = np.concatenate([np.empty(0), *(one.ambient_c for one in kept)])
    base_ppm = run.timebase.offset_ppm if run.timebase is not None else 0.0
    nominal_hz = run.nominal_hz / run.divider
    read_ppm = (hertz - nominal_hz) / nominal_hz * 1e6
    ppm = read_ppm + base_ppm + read_ppm * base_ppm * 1e-6
    return PointReadings(
        at_ns=at_ns[good],
        ppm=ppm[good],
        ambient_c=ambient[good],
        segment=segment[good],
    )
