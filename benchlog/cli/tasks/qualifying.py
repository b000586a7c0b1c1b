"""A qualification from what was typed: devices, steps within bounds, keeper, result."""

import uuid
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from benchlog.catalogue import find, load_bench, load_sequence
from benchlog.catalogue.places import read_toml
from benchlog.cli.tasks.planning import part_of, require_readings
from benchlog.cli.tasks.rack_devices import read_devices
from benchlog.errors import ConfigError, Problem
from benchlog.model import (
    Bench,
    Drive,
    Part,
    PositionSpec,
    Purpose,
    QualificationPlan,
    RunPlan,
    StepRecord,
)
from benchlog.model import (
    Sequence as TestSequence,
)
from benchlog.recorder.rack.rack_task import ROLE_OF, RackTask
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
    check_roles(sequence, positions, bench)
    bounds = rack_bounds(part, sequence, positions, bench)
    steps = planned_steps(sequence, part, bounds)
    qualification = QualificationPlan(
        uid=str(uuid.uuid4()),
        sequence=sequence.id,
        title=sequence.title,
        source=sequence.source,
        finds=sequence.finds,
        document=read_toml(entry),
        devices=dict(devices),
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
    return _with_records(Prepared(task=task, sequence=sequence, part=part))


def _with_records(prepared: Prepared) -> Prepared:
    """Return it with the steps, and when each is expected, in what every run keeps."""
    records = tuple(_record(one) for one in prepared.expected())
    plans = []
    for plan in prepared.task.plans:
        assert plan.qualification is not None
        qualification = replace(plan.qualification, steps=records)
        plans.append(replace(plan, qualification=qualification))
    return replace(prepared, task=replace(prepared.task, plans=tuple(plans)))


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


def check_roles(
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


def _record(expected: ExpectedStep) -> StepRecord:
    step = expected.planned
    return StepRecord(
        index=step.index,
        name=step.name,
        state={str(drive): value for drive, value in step.state.items()},
        powered=step.powered,
        gates=step.step.gates,
        scan_s=step.step.scan_s,
        anew=step.step.anew,
        begins_s=round(expected.begin_s, 1),
        ends_s=round(expected.end_s, 1),
    )
