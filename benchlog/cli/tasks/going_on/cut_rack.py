"""A qualification that was cut, gone on with at the step that was not over."""

import contextlib
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final

from benchlog.catalogue import load_bench
from benchlog.catalogue.sequences import sequence_from_mapping
from benchlog.cli.tasks.qualifying import (
    Prepared,
    check_roles,
    rack_bounds,
    rack_task,
)
from benchlog.clock import Clock
from benchlog.errors import (
    BenchlogError,
    ConfigError,
    DataError,
    NotFoundError,
    Problem,
    UsageError,
)
from benchlog.evaluation.rack_study import known_plan, next_step, plan_of, runs_of
from benchlog.model import Bench, Purpose, QualificationPlan, Run, RunPlan
from benchlog.recorder.rack.qualification import RackWork
from benchlog.recorder.rack.rack_script import COMPLETE
from benchlog.recorder.rack.rack_task import RackTask
from benchlog.recorder.run.plan_checks import instruments_of, position_of
from benchlog.recorder.run.resume import resumed
from benchlog.recorder.run.resume_trust import came_by, opened_of
from benchlog.store.reader import Reader
from benchlog.verdict.rack.going_on import first_again
from benchlog.verdict.rack.planned_steps import planned_steps

_WIRING: Final = ("frequency", "through", "channel", "divider")
"""What of a position says which device a value is of, and what it means."""


def prepare_again(
    database: Path, clock: Clock, *, trust: bool, exchanged: Sequence[str] = ()
) -> tuple[Prepared, RackWork]:
    """Return the newest qualification that was cut, and what its keeper is to do.

    `exchanged` are setters that may be others than they were. The bench is that of the
    bench file on this computer: what a database says may be opened or started here is
    not believed. Positions must be wired as they were. Raises NotFoundError where none
    was cut, UsageError, and what `prepare` raises.
    """
    with Reader.open(database) as reader:
        all_runs = _cut(reader, trust=trust)
        cut = next_step(reader, all_runs)
        strange = [run for run in all_runs if came_by(reader, run)]
    if strange and not trust:
        raise _refusal(database, clock, strange[0])
    # one that was ended while the keeper was cut has been through all steps
    runs = [run for run in all_runs if run.ended_how != COMPLETE]
    now_ns = clock.utc_ns()
    several = [
        resumed(database, run.id, now_ns, trust=trust, purpose=Purpose.QUALIFY)
        for run in runs
    ]
    recorded = several[0].plan.bench
    bench = load_bench(recorded.file or recorded.name)
    plan = known_plan(runs[0])
    begun = tuple(
        replace(one.plan, device=one.run.device, bench=bench, qualification=plan)
        for one in several
    )
    _require_same_wiring([one.plan for one in several], bench)
    part = several[0].plan.part
    sequence = sequence_from_mapping(plan.document, f"the sequence of run {runs[0].id}")
    # ids may have been corrected since: a device is known by where it sits
    taken = {run.position for run in all_runs}
    fresh = tuple(
        replace(begun[0], device=device, position=position)
        for position, device in plan.devices.items()
        if position not in taken
    )
    plans = (*begun, *fresh)
    positions = [position_of(one) for one in plans]
    check_roles(sequence, positions, bench)
    bounds = rack_bounds(part, sequence, positions, bench)
    steps = planned_steps(sequence, part, bounds)
    first = first_again(steps, 0 if fresh else cut)
    task = rack_task(plans, sequence, steps, bounds, first)
    task = replace(task, exchanged=_named(exchanged, task))
    prepared = Prepared(task=task, sequence=sequence, part=part)
    again = {run.position: run.id for run in runs}
    return prepared, RackWork(task=task, again=again, trust=trust)


def _named(exchanged: Sequence[str], task: RackTask) -> frozenset[str]:
    """Return setters by name. Raises UsageError for what is none of this rack."""
    for name in exchanged:
        if name not in task.setters():
            names = ", ".join(task.setters())
            raise UsageError(f"the rack has no setter {name!r}; it has {names}")
    return frozenset(exchanged)


def _refusal(database: Path, clock: Clock, strange: Run) -> UsageError:
    """Return what is said without trust: what was recorded, and what is here.

    Nothing is opened for it.
    """
    try:
        resumed(database, strange.id, clock.utc_ns(), purpose=Purpose.QUALIFY)
    except UsageError as error:
        recorded = str(error)
    try:
        _, work = prepare_again(database, clock, trust=True)
        here = used_from_elsewhere(database, work)
    except BenchlogError as error:
        here = [f"the bench file here cannot be used: {error}"]
    return UsageError(
        recorded
        + "\nof the bench, the file here counts, not what was recorded:\n  "
        + "\n  ".join(here)
    )


def used_from_elsewhere(database: Path, work: RackWork) -> list[str]:
    """Return what runs that came from elsewhere use here; nothing for one's own."""
    with Reader.open(database) as reader:
        came = {
            f"run {number} came by {how}; it uses here:"
            for number in work.again.values()
            if (how := came_by(reader, reader.run(number)))
        }
    bench = work.task.bench
    names = (*dict.fromkeys(n for p in work.task.plans for n in instruments_of(p)),)
    uses = opened_of(bench, sorted({*names, *work.task.setters()}))
    return [*sorted(came), f"bench file {bench.file}", *uses] if came else []


def _cut(reader: Reader, *, trust: bool) -> list[Run]:
    """Return the runs of the newest qualification, if it was cut, one a position.

    Those that came from elsewhere are passed over without `trust`, unless there are no
    others: going on with them is refused then. Raises NotFoundError.
    """
    strange: list[Run] = []
    seen: set[str] = set()
    for run in reader.all_runs():
        plan = _plan_of(run)
        if plan is None or plan.uid in seen:
            continue
        seen.add(plan.uid)
        runs = runs_of(reader, plan)
        own = runs if trust else [one for one in runs if not came_by(reader, one)]
        if not own:
            strange = strange or [one for one in runs if one.ended_how != COMPLETE]
        elif all(one.ended_how == COMPLETE for one in own):
            break
        else:
            return _one_a_position(own)
    if strange:
        return _one_a_position(strange)
    raise NotFoundError("qualification that was cut", "the newest", ())


def _plan_of(run: Run) -> QualificationPlan | None:
    """Return what a run was part of; None where that cannot be read, too."""
    with contextlib.suppress(DataError):
        return plan_of(run) if run.purpose is Purpose.QUALIFY else None
    return None


def _one_a_position(runs: Sequence[Run]) -> list[Run]:
    """Return the first run of each position: a later one came beside it."""
    return list({run.position: run for run in reversed(runs)}.values())[::-1]


def _require_same_wiring(begun: Sequence[RunPlan], bench: Bench) -> None:
    """Refuse a bench file that has a position look at another device by now."""
    problems = []
    for plan in begun:
        then, now = position_of(plan), position_of(replace(plan, bench=bench))
        problems += [
            Problem(
                bench.file or bench.name,
                f"position {then.name!r}.{name}",
                str(getattr(now, name)),
                f"{getattr(then, name)}, as when the sequence was begun: put it back, "
                "or begin anew",
            )
            for name in _WIRING
            if getattr(now, name) != getattr(then, name)
        ]
    if problems:
        raise ConfigError(problems)
