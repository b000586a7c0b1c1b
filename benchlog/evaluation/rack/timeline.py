"""The steps of a sequence as a device went through them, with their times."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from benchlog.evaluation.rack.turn_points import step_told
from benchlog.evaluation.rack_study import QualifiedDevice, base_of
from benchlog.model import (
    STEP_BEGINS,
    STEP_OVER,
    Event,
    EventKind,
    QualificationPlan,
    StepRecord,
    Turn,
)
from benchlog.verdict.rack.curves import Curve, curves


@dataclass(frozen=True, slots=True, kw_only=True)
class PassedStep:
    """One step of one device.

    `begun_utc_ns` and `over_utc_ns` are None where that has not happened. `turns` are
    those of the device; `unsettled` of them were measured before the point counted as
    settled, in `silent` the device gave no signal.
    """

    record: StepRecord
    begun_utc_ns: int | None = None
    over_utc_ns: int | None = None
    turns: int = 0
    unsettled: int = 0
    silent: int = 0


def passed_steps(
    plan: QualificationPlan, one: QualifiedDevice, events: Iterable[Event]
) -> tuple[PassedStep, ...]:
    """Return all steps of a plan with what became of each.

    A step that was begun again after a cut has the times of its last time.
    """
    begun: dict[int, int] = {}
    over: dict[int, int] = {}
    for event in events:
        if event.kind != EventKind.SEQUENCE or event.raw is None:
            continue
        told = step_told(event.raw)
        if told is None:
            continue
        step, what = told
        if what == STEP_BEGINS:
            begun[step] = event.utc_ns
            over.pop(step, None)
        elif what == STEP_OVER:
            over[step] = event.utc_ns
    turns = turns_by_step((one,))
    return tuple(
        _passed(
            record,
            turns.get(record.index, ()),
            begun.get(record.index),
            over.get(record.index),
        )
        for record in plan.steps
    )


def turns_by_step(devices: Iterable[QualifiedDevice]) -> dict[int, list[Turn]]:
    """Return the turns of some devices by the index of their step."""
    found: dict[int, list[Turn]] = {}
    for one in devices:
        for point in one.points:
            found.setdefault(point.step.index, []).append(point.turn)
    return found


def _passed(
    record: StepRecord, turns: Sequence[Turn], begun: int | None, over: int | None
) -> PassedStep:
    return PassedStep(
        record=record,
        begun_utc_ns=begun,
        over_utc_ns=over,
        turns=len(turns),
        unsettled=sum(not turn.settled for turn in turns),
        silent=sum(not turn.ran for turn in turns),
    )


def device_curves(plan: QualificationPlan, one: QualifiedDevice) -> tuple[Curve, ...]:
    """Return the curves of a device."""
    return curves(plan, one.run.part, one.points, base_of(one.run))
