"""A qualification from what was typed: devices, steps within bounds, keeper, result."""

import contextlib
import uuid
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from benchlog.catalogue import find, load_bench, load_sequence
from benchlog.catalogue.places import read_toml
from benchlog.catalogue.sequences import sequence_from_mapping
from benchlog.cli.tasks.planning import part_of, require_readings
from benchlog.cli.tasks.rack_devices import read_devices
from benchlog.clock import Clock
from benchlog.errors import ConfigError, NotFoundError, Problem, UsageError
from benchlog.evaluation.rack_study import next_step, runs_of
from benchlog.evaluation.rack_study import plan_of as plan_of_rack
from benchlog.model import (
    Bench,
    Drive,
    Part,
    PositionSpec,
    Purpose,
    QualificationPlan,
    Run,
    RunPlan,
    StepRecord,
)
from benchlog.model import (
    Sequence as TestSequence,
)
from benchlog.recorder.keeper import surroundings
from benchlog.recorder.notice import Tell
from benchlog.recorder.rack.rack_keeper import RackKeeper
from benchlog.recorder.rack.rack_script import COMPLETE
from benchlog.recorder.rack.rack_task import ROLE_OF, RackTask
from benchlog.recorder.run.plan_checks import position_of
from benchlog.recorder.run.resume import Resumed, resumed
from benchlog.store.reader import Reader
from benchlog.verdict.rack.bounds import Bound, Bounds, bounds_of, places_of
from benchlog.verdict.rack.durations import ExpectedStep, ThermalModel, expected_steps
from benchlog.verdict.rack.planned_steps import (
    PlannedStep,
    drives_of,
    planned_steps,
    switches_power,
)
from benchlog.version import __version__


@dataclass(frozen=True, slots=True, kw_only=True)
class QualifyWish:
    """A qualification as it was typed."""

    bench: str
    part: str | Part
    sequence: str
    devices: Path
    operator: str = ""
    note: str = ""
    lot: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Prepared:
    """A qualification that may be begun: everything was checked, nothing was set."""

    task: RackTask
    sequence: TestSequence
    part: Part

    def expected(self) -> tuple[ExpectedStep, ...]:
        """Return the steps with the time they will take."""
        bench = self.task.bench
        chambers = self.task.setters_of(Drive.TEMPERATURE)
        rates = [bench.instruments[one].options.get("rate_per_min") for one in chambers]
        rate = min((r for r in rates if isinstance(r, int | float)), default=3.0)
        scanners = {one.through for one in self.task.positions() if one.through}
        settles = [self.task.turn_settle_s(one) for one in scanners]
        gates = [bench.instruments[p.frequency] for p in self.task.positions()]
        gate = gates[0].options.get("gate_s")
        model = ThermalModel(
            rate_c_per_min=float(rate),
            gate_s=float(gate) if isinstance(gate, int | float) else 1.0,
            turn_s=max(settles, default=0.0) + 0.02,
            devices=len(self.task.plans),
            at_once=len({spec.name for spec in gates}),
        )
        return expected_steps(self.task.steps, self.sequence.settled, self.part, model)


def prepare(wish: QualifyWish) -> Prepared:
    """Check all that can be known beforehand, and return what is to be done.

    Raises UsageError, NotFoundError and ConfigError with every problem; nothing has
    been opened or set.
    """
    part, bench = part_of(wish.part), load_bench(wish.bench)
    entry = find("sequences", wish.sequence)
    sequence = load_sequence(wish.sequence)
    devices = read_devices(wish.devices, bench)
    require_readings(bench, devices, "qualify")
    positions = [one for one in bench.positions if one.name in devices]
    _check_roles(sequence, positions, bench)
    bounds = rack_bounds(part, sequence, positions, bench)
    steps = planned_steps(sequence, part, bounds)
    qualification = QualificationPlan(
        uid=str(uuid.uuid4()),
        sequence=sequence.id,
        title=sequence.title,
        source=sequence.source,
        finds=sequence.finds,
        steps=tuple(_record(one) for one in steps),
        document=read_toml(entry),
    )
    plan = RunPlan(
        purpose=Purpose.QUALIFY,
        device="",
        part=part,
        position="",
        bench=bench,
        lot=wish.lot,
        operator=wish.operator,
        note=wish.note,
        software=f"benchlog {__version__}",
        qualification=qualification,
    )
    plans = tuple(
        replace(plan, device=device, position=position)
        for position, device in devices.items()
    )
    task = rack_task(plans, sequence, steps, bounds)
    return Prepared(task=task, sequence=sequence, part=part)


def rack_task(
    plans: tuple[RunPlan, ...],
    sequence: TestSequence,
    steps: tuple[PlannedStep, ...],
    bounds: Mapping[Drive, Bounds],
    first: int = 0,
) -> RackTask:
    """Return what the keeper is given; each setter with the bounds of its drive."""
    task = RackTask(
        plans=plans,
        steps=steps,
        rule=sequence.settled,
        bounds={},
        references={
            drive: place.reference
            for drive, place in places_of(plans[0].part).items()
            if place.reference is not None
        },
        first=first,
    )
    found: dict[str, tuple[float, float]] = {}
    for drive in Drive:
        for name in task.setters_of(drive):
            found[name] = bounds[drive].narrowest or (0.0, -1.0)
    for name in task.setters():
        found.setdefault(name, _own_bounds(task.bench, name))
    return replace(task, bounds=found)


def rack_bounds(
    part: Part,
    sequence: TestSequence,
    positions: Iterable[PositionSpec],
    bench: Bench,
) -> Mapping[Drive, Bounds]:
    """Return the bounds of every drive: of part, sequence, and each setter in use."""
    others: dict[tuple[Drive, str], Bound] = {}
    for position in positions:
        for drive, role in ROLE_OF.items():
            name = getattr(position, role)
            if name is not None:
                low, high = _own_bounds(bench, name)
                others[drive, name] = Bound(low, high, f"setter {name!r}")
    return bounds_of(part, sequence, [(drive, b) for (drive, _), b in others.items()])


def _own_bounds(bench: Bench, name: str) -> tuple[float, float]:
    options = bench.instruments[name].options
    low, high = options.get("low"), options.get("high")
    if isinstance(low, int | float) and isinstance(high, int | float):
        return float(low), float(high)
    return (0.0, -1.0) if bench.instruments[name].quantity != "channel" else (1, 1e6)


def _check_roles(
    sequence: TestSequence, positions: Sequence[PositionSpec], bench: Bench
) -> None:
    """Refuse a sequence that sets what a position has no setter for."""
    needed = {ROLE_OF[drive]: str(drive) for drive in drives_of(sequence)}
    if switches_power(sequence):
        needed["feed"] = "power"
    problems = [
        Problem(
            bench.file or bench.name,
            f"position {position.name!r}.{role}",
            "missing",
            f"a setter: sequence {sequence.id} sets {what}",
        )
        for position in positions
        for role, what in needed.items()
        if getattr(position, role) is None
    ]
    if problems:
        raise ConfigError(problems)


def _record(step: PlannedStep) -> StepRecord:
    return StepRecord(
        index=step.index,
        name=step.name,
        state={str(drive): value for drive, value in step.state.items()},
        powered=step.powered,
        gates=step.step.gates,
        scan_s=step.step.scan_s,
    )


@contextlib.contextmanager
def opened_rack(
    prepared: Prepared, database: Path, clock: Clock, *, tell: Tell
) -> Iterator[RackKeeper]:
    """Yield a rack's keeper that holds bench and database, and has set nothing.

    Whatever happens within, every setter is let go of and every run is ended.
    """
    task = prepared.task
    holder = f"benchlog qualify of {len(task.plans)} devices"
    extra = [task.bench.instruments[name].address for name in task.setters()]
    with surroundings(
        task.plans,
        holder,
        database,
        clock,
        tell=tell,
        until_fd=None,
        beside=[address for address in extra if address],
    ) as around:
        keeper = RackKeeper(task, around)
        try:
            yield keeper
        finally:
            keeper.finish()


def qualify(
    prepared: Prepared, database: Path, clock: Clock, *, tell: Tell
) -> tuple[int, ...]:
    """Take a rack through its sequence; return the runs.

    Raises InstrumentError when an instrument or setter does not answer at the start.
    """
    with opened_rack(prepared, database, clock, tell=tell) as keeper:
        keeper.wait_for_all()
        keeper.begin()
        keeper.loop()
        return tuple(keeper.book.runs.ids)


@dataclass(frozen=True, slots=True, kw_only=True)
class PreparedAgain:
    """A qualification that was cut and may be gone on with."""

    prepared: Prepared
    several: tuple[Resumed, ...]


def prepare_again(database: Path, clock: Clock, *, trust: bool) -> PreparedAgain:
    """Return the newest qualification that was cut, to be gone on with.

    The bench is that of the bench file on this computer: what a database says may be
    opened or started here is not believed. Raises NotFoundError where none was cut,
    UsageError, and what `prepare` raises.
    """
    with Reader.open(database) as reader:
        plan, runs = _cut(reader)
        first = next_step(reader, runs)
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
    plans = tuple(one.plan for one in several)
    positions = [position_of(one) for one in plans]
    _check_roles(sequence, positions, bench)
    bounds = rack_bounds(part, sequence, positions, bench)
    steps = planned_steps(sequence, part, bounds)
    if first >= len(steps):
        raise UsageError("all steps of that sequence are over; begin a new one")
    task = rack_task(plans, sequence, steps, bounds, first)
    prepared = Prepared(task=task, sequence=sequence, part=part)
    return PreparedAgain(prepared=prepared, several=tuple(several))


def _cut(reader: Reader) -> tuple[QualificationPlan, list[Run]]:
    """Return the newest qualification, if it was cut. Raises NotFoundError."""
    for run in reader.all_runs():
        plan = plan_of_rack(run) if run.purpose is Purpose.QUALIFY else None
        if plan is None:
            continue
        runs = runs_of(reader, plan)
        if any(one.ended_how == COMPLETE for one in runs):
            break
        return plan, runs
    raise NotFoundError("qualification that was cut", "the newest", ())


def qualify_again(
    again: PreparedAgain, database: Path, clock: Clock, *, tell: Tell
) -> tuple[int, ...]:
    """Go on with a qualification at the step that was cut; return the runs."""
    with opened_rack(again.prepared, database, clock, tell=tell) as keeper:
        keeper.resume(again.several)
        keeper.loop()
        return tuple(keeper.book.runs.ids)
