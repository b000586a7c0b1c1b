"""A qualification as the database has it: points of each device, and what was found."""

from collections.abc import Container, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.characteristics.wander import Wander
from benchlog.errors import DataError, NotFoundError
from benchlog.evaluation.rack.turn_points import device_points, step_told
from benchlog.model import (
    STEP_OVER,
    Decision,
    EventKind,
    Purpose,
    QualificationPlan,
    Run,
)
from benchlog.store.reader import Reader
from benchlog.store.snapshot import UNREADABLE, qualification_from
from benchlog.verdict.rack.device_view import Base, DevicePoint
from benchlog.verdict.rack.findings import (
    FoundCharacteristic,
    characteristics,
    rack_wander,
    undecided,
    verdict_of,
)
from benchlog.verdict.run.budget import (
    BudgetLine,
    contradiction_line,
    timebase_line,
)
from benchlog.verdict.run.decision import worst

Array = NDArray[np.float64]
OUT_OF_TURN: Final = (
    "the counter answered one question late: readings may be of the device before"
)


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


def rack_of(
    reader: Reader,
    plan: QualificationPlan,
    judged: Run | None = None,
    without: Container[int] = (),
) -> Qualification:
    """Return what was found; how restless each device is, all of them tell together.

    `judged` stands for the run of its number: against another part, say. `without` are
    runs that are left out. Raises NoFiguresError of the first other that has none.
    """
    runs = [run for run in runs_of(reader, plan) if run.id not in without]
    if judged is not None:
        runs = [judged if run.id == judged.id else run for run in runs]
    points = [tuple(device_points(reader, run, plan)) for run in runs]
    wander = rack_wander(plan, runs[0].part, points) if runs else ()
    devices = tuple(
        QualifiedDevice(
            run=run,
            points=own,
            found=_found(reader, run, own, plan, base_of(run, restless)),
        )
        for run, own, restless in zip(runs, points, wander, strict=True)
    )
    return Qualification(plan=plan, devices=devices)


def _found(
    reader: Reader,
    run: Run,
    points: Sequence[DevicePoint],
    plan: QualificationPlan,
    base: Base,
) -> tuple[FoundCharacteristic, ...]:
    """Return what was found of a device; undecided where readings may be another's."""
    found = characteristics(plan, run.part, points, base)
    kinds = {event.kind for _, event in reader.events(run.id)}
    return undecided(found, OUT_OF_TURN) if EventKind.OUT_OF_TURN in kinds else found


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
