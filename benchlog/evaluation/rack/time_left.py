"""How long the steps of a sequence that are left will take, by the thermal model."""

from collections.abc import Iterator, Mapping
from typing import Final

from benchlog.evaluation.rack_study import Qualification
from benchlog.model import Drive, QualificationPlan, Run, SettledRule, Step, StepRecord
from benchlog.units import NS_PER_S
from benchlog.verdict.rack.durations import ThermalModel, expected_steps
from benchlog.verdict.rack.planned_steps import PlannedStep

_LEAST_S: Final = 60.0  # our rule: what is late takes a minute more
_TURN_S: Final = 0.5  # beside the gates; our rule, as for a plan
_TIMED: Final = ("wait", "ramp_c_per_min", "settle")
"""What a step of the file may have that its record does not tell."""


def time_left_s(found: Qualification, now_utc_ns: int | None = None) -> float | None:
    """Return what the steps take that no device has been measured in, in bench seconds.

    What has passed since the last point is taken off, if it is told what time it is.
    None where records do not tell how long steps take: those of earlier versions of
    sequences that wait, loop or ramp.
    """
    if not found.devices:
        return None
    if (planned_s := _planned_s(found)) is not None:
        passed_s = 0.0 if now_utc_ns is None else _passed_s(found, now_utc_ns)
        return max(planned_s - passed_s, _LEAST_S)
    if not _is_plain(found.plan):
        return None
    run = found.devices[0].run
    model = _model(run, len(found.devices))
    planned = tuple(_planned(one) for one in found.plan.steps)
    expected = expected_steps(planned, SettledRule(), run.part, model)
    return sum(one.whole_s for one in expected[found.steps_done :])


def _planned_s(found: Qualification) -> float | None:
    """Return from the end of the last step that was measured to the end of all."""
    steps, done = found.plan.steps, found.steps_done
    end_s = steps[-1].ends_s if steps else None
    last_s = steps[done - 1].ends_s if done else 0.0
    return None if end_s is None or last_s is None else end_s - last_s


def _passed_s(found: Qualification, now_utc_ns: int) -> float:
    """Return bench seconds since the last point, or since the sequence began."""
    ends = [one.points[-1].turn.end_utc_ns for one in found.devices if one.points]
    begin_ns = max(ends, default=found.devices[0].run.started_utc_ns)
    return max(0.0, (now_utc_ns - begin_ns) / NS_PER_S)


def _is_plain(plan: QualificationPlan) -> bool:
    """Tell whether the records have all that makes a step long."""
    document = plan.document
    if "loop" in document or "settled" in document or not document:
        return False
    return not any(key in step for step in _file_steps(plan) for key in _TIMED)


def _file_steps(plan: QualificationPlan) -> Iterator[Mapping[object, object]]:
    steps = plan.document.get("step")
    for one in steps if isinstance(steps, list | tuple) else ():
        if isinstance(one, Mapping):
            yield one


def _planned(record: StepRecord) -> PlannedStep:
    return PlannedStep(
        index=record.index,
        step=Step(
            name=record.name,
            settle=record.gates > 0,
            gates=record.gates,
            scan_s=record.scan_s,
        ),
        orders=(),
        state={Drive(drive): value for drive, value in record.state.items()},
        powered=record.powered,
    )


def _model(run: Run, devices: int) -> ThermalModel:
    bench = run.recorded_bench
    chambers = {one.chamber for one in bench.positions if one.chamber}
    rates = [
        rate
        for name in chambers
        if name in bench.instruments
        and isinstance(
            rate := bench.instruments[name].options.get("rate_per_min"), int | float
        )
    ]
    counters = {one.frequency for one in bench.positions}
    return ThermalModel(
        rate_c_per_min=float(min(rates, default=3.0)),
        turn_s=_TURN_S,
        devices=devices,
        at_once=max(1, len(counters)),
    )
