"""A qualification that was cut, gone on with at the step that was not over."""

from dataclasses import replace
from pathlib import Path

from benchlog.catalogue import load_bench
from benchlog.catalogue.sequences import sequence_from_mapping
from benchlog.cli.tasks.qualifying import (
    Prepared,
    check_roles,
    rack_bounds,
    rack_task,
)
from benchlog.clock import Clock
from benchlog.errors import NotFoundError
from benchlog.evaluation.rack_study import next_step, plan_of, runs_of
from benchlog.model import Purpose, QualificationPlan, Run
from benchlog.recorder.rack.qualification import RackWork
from benchlog.recorder.rack.rack_script import COMPLETE
from benchlog.recorder.run.plan_checks import position_of
from benchlog.recorder.run.resume import resumed
from benchlog.store.reader import Reader
from benchlog.verdict.rack.going_on import first_again
from benchlog.verdict.rack.planned_steps import planned_steps


def prepare_again(
    database: Path, clock: Clock, *, trust: bool
) -> tuple[Prepared, RackWork]:
    """Return the newest qualification that was cut, and what its keeper is to do.

    The bench is that of the bench file on this computer: what a database says may be
    opened or started here is not believed. Raises NotFoundError where none was cut,
    UsageError, and what `prepare` raises.
    """
    with Reader.open(database) as reader:
        plan, all_runs = _cut(reader)
        cut = next_step(reader, all_runs)
    # one that was ended while the keeper was cut has been through all steps
    runs = [run for run in all_runs if run.ended_how != COMPLETE]
    now_ns = clock.utc_ns()
    several = [
        resumed(database, run.id, now_ns, trust=trust, purpose=Purpose.QUALIFY)
        for run in runs
    ]
    recorded = several[0].plan.bench
    bench = load_bench(recorded.file or recorded.name)
    several = [
        replace(one, plan=replace(one.plan, bench=bench, qualification=plan))
        for one in several
    ]
    part = several[0].plan.part
    sequence = sequence_from_mapping(plan.document, f"the sequence of run {runs[0].id}")
    begun = tuple(one.plan for one in several)
    fresh = tuple(
        replace(begun[0], device=device, position=position)
        for position, device in plan.devices.items()
        if device not in {run.device for run in all_runs}
    )
    plans = (*begun, *fresh)
    positions = [position_of(one) for one in plans]
    check_roles(sequence, positions, bench)
    bounds = rack_bounds(part, sequence, positions, bench)
    steps = planned_steps(sequence, part, bounds)
    first = first_again(steps, 0 if fresh else cut)
    task = rack_task(plans, sequence, steps, bounds, first)
    prepared = Prepared(task=task, sequence=sequence, part=part)
    again = {run.device: run.id for run in runs}
    return prepared, RackWork(task=task, again=again, trust=trust)


def _cut(reader: Reader) -> tuple[QualificationPlan, list[Run]]:
    """Return the newest qualification, if it was cut. Raises NotFoundError."""
    for run in reader.all_runs():
        plan = plan_of(run) if run.purpose is Purpose.QUALIFY else None
        if plan is None:
            continue
        runs = runs_of(reader, plan)
        if all(one.ended_how == COMPLETE for one in runs):
            break
        return plan, runs
    raise NotFoundError("qualification that was cut", "the newest", ())
