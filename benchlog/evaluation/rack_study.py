"""A qualification as the database has it: points of each device, and what was found."""

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.characteristics.lag import Approach
from benchlog.analysis.characteristics.wander import Wander
from benchlog.errors import DataError, NotFoundError
from benchlog.model import (
    STEP_BEGINS,
    STEP_OVER,
    Decision,
    Event,
    EventKind,
    Flag,
    Purpose,
    QualificationPlan,
    Run,
    StepRecord,
    Turn,
)
from benchlog.store.reader import Reader
from benchlog.store.snapshot import UNREADABLE, qualification_from
from benchlog.units import NS_PER_S
from benchlog.verdict.rack.device_view import Base, DevicePoint
from benchlog.verdict.rack.findings import (
    FoundCharacteristic,
    characteristics,
    rack_wander,
    verdict_of,
)
from benchlog.verdict.run.budget import (
    BudgetLine,
    contradiction_line,
    timebase_line,
)
from benchlog.verdict.run.decision import worst

Array = NDArray[np.float64]
_REFUSED: Final = Flag.FAR | Flag.RUSHED
"""Readings that no device of the part gives, or that came too soon: in no point."""


_STILL_C: Final = 0.3
"""So near to where a point was measured the air counts as having arrived; our rule."""
_WHOLE: Final = ("step", "begin_utc_ns", "end_utc_ns", "readings")
_MOST: Final = 1e12  # our rule: seconds, or ppm a minute, that nothing comes near to


@dataclass(frozen=True, slots=True, kw_only=True)
class PointReadings:
    """All good readings of a run: time, offset in ppm, the probe; shape (n,) each."""

    at_ns: NDArray[np.int64]
    ppm: Array
    ambient_c: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class QualifiedDevice:
    """One device of a qualification: its run, its points, what was found."""

    run: Run
    points: tuple[DevicePoint, ...]
    found: tuple[FoundCharacteristic, ...]

    @property
    def verdict(self) -> Decision:
        """The worst verdict of what is promised."""
        return verdict_of(self.found)

    @property
    def steps_done(self) -> int:
        """How many steps have been measured so far."""
        return max((point.step.index for point in self.points), default=-1) + 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Qualification:
    """All devices of a rack that went through a sequence together."""

    plan: QualificationPlan
    devices: tuple[QualifiedDevice, ...]

    @property
    def verdict(self) -> Decision:
        """The worst of all devices."""
        return worst(*(one.verdict for one in self.devices))

    @property
    def steps_done(self) -> int:
        """How many steps have been measured so far."""
        return max((one.steps_done for one in self.devices), default=0)


def qualification_of(reader: Reader, run_id: int) -> Qualification:
    """Return the qualification that a run is part of.

    Raises NotFoundError where it is of none, DataError where its plan cannot be read.
    """
    plan = known_plan(reader.run(run_id))
    return rack_of(reader, plan)


def rack_of(reader: Reader, plan: QualificationPlan) -> Qualification:
    """Return what was found; how restless each device is, all of them tell together."""
    runs = runs_of(reader, plan)
    points = [tuple(device_points(reader, run, plan)) for run in runs]
    wander = rack_wander(plan, runs[0].part, points) if runs else ()
    devices = tuple(
        QualifiedDevice(
            run=run,
            points=own,
            found=characteristics(plan, run.part, own, base_of(run, restless)),
        )
        for run, own, restless in zip(runs, points, wander, strict=True)
    )
    return Qualification(plan=plan, devices=devices)


def runs_of(reader: Reader, plan: QualificationPlan) -> list[Run]:
    """Return the runs of a qualification, the first first."""
    found = [run for run in reader.all_runs() if _is_of(run, plan.uid)]
    return sorted(found, key=lambda run: run.id)


def newest_qualification(reader: Reader) -> Qualification:
    """Return the newest qualification. Raises NotFoundError where there is none."""
    for run in reader.all_runs():
        if run.purpose is Purpose.QUALIFY and plan_of(run) is not None:
            return qualification_of(reader, run.id)
    raise NotFoundError("qualification", "the newest", ())


def plan_of(run: Run) -> QualificationPlan | None:
    """Return what a run was part of; None for others. Raises DataError."""
    try:
        return qualification_from(run.qualification_told)
    except UNREADABLE as error:
        raise DataError(f"run {run.id}: its sequence cannot be read: {error}") from None


def known_plan(run: Run) -> QualificationPlan:
    """Return what a run was part of. Raises NotFoundError where it was of none."""
    plan = plan_of(run)
    if plan is None:
        raise NotFoundError("qualification with run", str(run.id), ())
    return plan


def _is_of(run: Run, uid: str) -> bool:
    told = run.qualification_told
    return isinstance(told, Mapping) and told.get("uid") == uid


def base_of(run: Run, wander: Wander | None = None) -> Base:
    """Return what all points of a run share."""
    timebase = run.timebase
    lines: tuple[BudgetLine, ...] = ()
    if timebase is not None:
        doubt = contradiction_line(timebase)
        lines = (timebase_line(timebase), *(() if doubt is None else (doubt,)))
    return Base(timebase=lines, thermometer_u_c=run.thermometer_u_c, wander=wander)


def device_points(
    reader: Reader, run: Run, plan: QualificationPlan
) -> Iterator[DevicePoint]:
    """Yield the points of a run in the order in which they were measured.

    A turn that cannot be read is left out: its step is a gap then, never a wrong value.
    A step that was begun again after a cut has the points of its last time alone.
    """
    events = (event for _, event in reader.events(run.id))
    yield from points_of(events, _readings(reader, run), plan)


def points_of(
    events: Iterable[Event], readings: PointReadings, plan: QualificationPlan
) -> Iterator[DevicePoint]:
    """Yield the points that a run's events tell of, with the readings of each."""
    steps = {step.index: step for step in plan.steps}
    begun_ns: dict[int, int] = {}
    turns: dict[int, list[Turn]] = {}
    for event in events:
        if event.raw is None:
            continue
        if event.kind == EventKind.SEQUENCE:
            told = step_told(event.raw)
            if told is not None and told[1] == STEP_BEGINS:
                turns[told[0]], begun_ns[told[0]] = [], event.utc_ns
        elif event.kind == EventKind.TURN and (turn := _turn(event.raw)) is not None:
            turns.setdefault(turn.step, []).append(turn)
    for turn in sorted(
        (one for several in turns.values() for one in several),
        key=lambda one: one.begin_utc_ns,
    ):
        if turn.step in steps:
            since_ns = begun_ns.get(turn.step, turn.begin_utc_ns)
            yield _point(turn, steps[turn.step], readings, since_ns)


def step_told(raw: bytes) -> tuple[int, str] | None:
    """Return step and what an event of the sequence tells of it; None for nothing."""
    try:
        told = json.loads(raw)
        step, what = told["step"], told["what"]
    except (ValueError, KeyError, TypeError, RecursionError):
        return None
    return (step, what) if _is_count(step) and isinstance(what, str) else None


def next_step(reader: Reader, runs: Sequence[Run]) -> int:
    """Return the first step that is not over in all runs of a qualification."""
    done: list[int] = []
    for run in runs:
        over = [
            told[0]
            for _, event in reader.events(run.id)
            if event.kind == EventKind.SEQUENCE
            and event.raw is not None
            and (told := step_told(event.raw)) is not None
            and told[1] == STEP_OVER
        ]
        done.append(max(over, default=-1) + 1)
    return min(done, default=0)


def _point(
    turn: Turn, step: StepRecord, readings: PointReadings, since_ns: int
) -> DevicePoint:
    at_ns = readings.at_ns
    inside = (at_ns >= turn.begin_utc_ns) & (at_ns <= turn.end_utc_ns)
    known = readings.ambient_c[inside & np.isfinite(readings.ambient_c)]
    here_c = float(known.mean()) if len(known) else None
    middle_ns = (turn.begin_utc_ns + turn.end_utc_ns) // 2
    settling = inside | (at_ns >= since_ns) & (at_ns < turn.begin_utc_ns)
    if here_c is not None:
        settling &= np.abs(readings.ambient_c - here_c) <= _STILL_C
    return DevicePoint(
        turn=turn,
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
        if known["begin_utc_ns"] > known["end_utc_ns"]:
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


def _readings(reader: Reader, run: Run) -> PointReadings:
    """Return time, offset corrected for the time base, and ambient of all readings."""
    kept = list(reader.chunks(run.id))
    flags = np.concatenate([np.empty(0, np.int64), *(one.flags for one in kept)])
    good = (flags & int(_REFUSED)) == 0
    at_ns = np.concatenate([np.empty(0, np.int64), *(one.utc_ns for one in kept)])
    hertz = np.concatenate([np.empty(0), *(one.frequency_hz for one in kept)])
    ambient = np.concatenate([np.empty(0), *(one.ambient_c for one in kept)])
    base_ppm = run.timebase.offset_ppm if run.timebase is not None else 0.0
    nominal_hz = run.nominal_hz / run.divider
    read_ppm = (hertz - nominal_hz) / nominal_hz * 1e6
    ppm = read_ppm + base_ppm + read_ppm * base_ppm * 1e-6
    return PointReadings(at_ns=at_ns[good], ppm=ppm[good], ambient_c=ambient[good])


def document(found: Qualification) -> dict[str, Any]:
    """Return the JSON document: the contract's keys first."""
    first = found.devices[0].run
    return {
        "sequence": found.plan.sequence,
        "bench": first.bench,
        "part": first.part.id,
        "devices": [_device_document(one) for one in found.devices],
        "verdict": found.verdict,
        "qualification": found.plan.uid,
        "steps": len(found.plan.steps),
        "steps_done": found.steps_done,
    }


def _device_document(one: QualifiedDevice) -> dict[str, Any]:
    return {
        "device": one.run.device,
        "position": one.run.position,
        "verdict": one.verdict,
        "characteristics": [asdict(line) for line in one.found],
        "run": one.run.id,
        "points": len(one.points),
        "simulated": one.run.simulated,
    }


def summary_rows(
    found: Qualification,
) -> Iterator[tuple[str, Sequence[FoundCharacteristic]]]:
    """Yield each characteristic with what all devices have of it."""
    for name in found.plan.finds:
        lines = [
            line for one in found.devices for line in one.found if line.name == name
        ]
        if lines:
            yield name, lines
