"""What a keeper must know of its plans before it starts; pure functions."""

from collections.abc import Sequence

from benchlog import registry
from benchlog.errors import UsageError
from benchlog.model import (
    EDGE,
    Bench,
    InstrumentSpec,
    PositionSpec,
    Purpose,
    RunPlan,
)
from benchlog.verdict.run.judges import trains_of


def check_plans(plans: Sequence[RunPlan]) -> None:
    """Refuse plans that one keeper cannot keep. Raises UsageError."""
    if not plans:
        raise UsageError("nothing to measure: no device was named")
    if len({plan.position for plan in plans}) < len(plans):
        raise UsageError("each position can hold one device; name different positions")
    held: list[tuple[InstrumentSpec, PositionSpec]] = []
    for plan in plans:
        position = position_of(plan)
        counter = plan.bench.instruments[position.frequency]
        if position.through is not None and counter.quantity == EDGE:
            raise UsageError(
                f"position {position.name!r} is measured by its pulses through scanner "
                f"{position.through!r}: pulses cannot be taken in turns"
            )
        for other, place in held:
            if _excludes(counter, other) and not _in_turns(position, place):
                raise UsageError(
                    f"positions {place.name} and {position.name} share a counter; give "
                    "each an instrument with its own 'input' in the bench file (not "
                    "over USB), or measure one after the other, with --position, or "
                    "through one scanner (through = ..., channel = ...)"
                )
        held.append((counter, position))


def _in_turns(one: PositionSpec, other: PositionSpec) -> bool:
    """Whether two positions have one counter in turns, through one scanner."""
    return one.through is not None and one.through == other.through


def _excludes(one: InstrumentSpec, other: InstrumentSpec) -> bool:
    """Whether two counters are the same, and not by turns at different inputs."""
    if (one.address or one.name) != (other.address or other.name):
        return False
    by_turns = one.measured_in_turns and other.measured_in_turns
    return not by_turns or one.options["input"] == other.options["input"]


def position_of(plan: RunPlan) -> PositionSpec:
    """Return the position of a plan. Raises UsageError when its bench has none such."""
    for position in plan.bench.positions:
        if position.name == plan.position:
            return position
    names = ", ".join(position.name for position in plan.bench.positions)
    raise UsageError(
        f"bench {plan.bench.name!r} has no position {plan.position!r}; it has {names}"
    )


def instruments_of(plan: RunPlan) -> tuple[str, ...]:
    """Return the names of the instruments that a plan's position uses."""
    position = position_of(plan)
    return used_at(plan.bench, position)


def used_at(bench: Bench, position: PositionSpec) -> tuple[str, ...]:
    """Return the instruments in use at a position; a reference with pulses alone."""
    trains = trains_of(bench.instruments, position, position.divider)
    names = (
        position.frequency,
        position.ambient,
        position.supply,
        trains.reference if trains else None,
    )
    return tuple(name for name in names if name is not None)


def held_addresses(plans: Sequence[RunPlan]) -> tuple[str, ...]:
    """Return the addresses that only one keeper at a time may use."""
    specs = {
        name: plan.bench.instruments[name]
        for plan in plans
        for name in (*instruments_of(plan), position_of(plan).through)
        if name is not None
    }
    return tuple(
        spec.address
        for spec in specs.values()
        if spec.address and registry.load(spec.driver).exclusive
    )


def may_stream(plan: RunPlan) -> bool:
    """Whether readings of a run may come many at once.

    Not where each may decide whether there is another one (a verdict at planned looks,
    devices that come and go, codes on trial), nor where a scanner is between.
    """
    kinds = (Purpose.MEASURE, Purpose.SOAK, Purpose.REFCHECK)
    alone = position_of(plan).through is None and not plan.until_clear
    return alone and plan.purpose in kinds
