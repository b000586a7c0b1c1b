"""A sequence worked out for one part: numbers in place of words, loops gone through.

All is checked here, before anything is set: a step that asks for what part, position,
setter or sequence do not allow ends in a ConfigError that names step and owner.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from benchlog.errors import ConfigError, Problem
from benchlog.model import (
    DRIVE_UNITS,
    Drive,
    DrivePlace,
    Loop,
    Part,
    Sequence,
    Step,
)
from benchlog.verdict.rack.bounds import Bounds, DrivePlaces, places_of

_TABLE_OF = {
    Drive.TEMPERATURE: "limits.range_c",
    Drive.SUPPLY: "[supply]",
    Drive.CONTROL: "[control]",
    Drive.LOAD: "load.load_pf and load.range_pf",
}


@dataclass(frozen=True, slots=True)
class DriveOrder:
    """One drive set to one value, in the drive's unit."""

    drive: Drive
    value: float

    @property
    def unit(self) -> str:
        """The unit of `value`."""
        return DRIVE_UNITS[self.drive]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedStep:
    """One step with its numbers. `index` counts from 0 through all loops.

    `orders` is what it sets; `state` all drives as they stand once it has. `pass_` is
    which pass of a loop it belongs to, `not_before_s` when that pass may begin, from
    the loop's begin, in bench seconds.
    """

    index: int
    step: Step
    orders: tuple[DriveOrder, ...]
    state: Mapping[Drive, float]
    powered: bool
    pass_: int | None = None
    not_before_s: float = 0.0

    @property
    def name(self) -> str:
        """What a person calls it; with its pass, within a loop."""
        said = self.step.name
        return said if self.pass_ is None else f"{said} {self.pass_ + 1}"


def planned_steps(
    sequence: Sequence,
    part: Part,
    bounds: Mapping[Drive, Bounds],
    bench: Mapping[Drive, DrivePlaces] | None = None,
) -> tuple[PlannedStep, ...]:
    """Return every step of a sequence with its numbers, in order.

    `bench` has the places of the bench's setters, for what the part does not state.
    Raises ConfigError with every step that asks for what is not allowed, or for a place
    that the part does not state.
    """
    problems: dict[str, Problem] = {}
    planned: list[PlannedStep] = []
    places = places_of(part, bench)
    state: dict[Drive, float] = {}
    powered = True
    for step, pass_, not_before_s in _unrolled(sequence):
        orders = []
        for target in step.targets:
            value, fault = _value(target.drive, target.place, places.get(target.drive))
            if value is not None:
                fault = bounds[target.drive].fault(value)
                orders.append(DriveOrder(target.drive, value))
                state[target.drive] = value
            if fault:
                key = f"step {step.name!r}"
                expected = "what part, rack and sequence all allow"
                where = sequence.file or sequence.id
                problems.setdefault(fault, Problem(where, key, fault, expected))
        powered = powered if step.power is None else step.power
        planned.append(
            PlannedStep(
                index=len(planned),
                step=step,
                orders=tuple(orders),
                state=dict(state),
                powered=powered,
                pass_=pass_,
                not_before_s=not_before_s,
            )
        )
    if problems:
        raise ConfigError(list(problems.values()))
    return tuple(planned)


def drives_of(sequence: Sequence) -> frozenset[Drive]:
    """Return the drives that a sequence sets."""
    return frozenset(t.drive for step in sequence.each_step() for t in step.targets)


def switches_power(sequence: Sequence) -> bool:
    """Tell whether a sequence switches devices on or off."""
    return any(step.power is not None for step in sequence.each_step())


def _unrolled(sequence: Sequence) -> Iterator[tuple[Step, int | None, float]]:
    """Yield each step with its pass and when that may begin after the loop's begin."""
    for one in sequence.steps:
        if not isinstance(one, Loop):
            yield one, None, 0.0
            continue
        for pass_ in range(one.times):
            for step in one.steps:
                yield step, pass_, pass_ * one.every_s


def _value(
    drive: Drive, place: DrivePlace, places: DrivePlaces | None
) -> tuple[float | None, str]:
    """Return the number of a place, or why there is none."""
    if place.value is not None:
        return place.value, ""
    ends = [None if places is None else places.at(word) for word in place.between]
    begin, end = ends
    if begin is None or end is None:
        word = place.between[0 if begin is None else 1]
        said = f"{drive} {word!r} is stated neither by the part ({_TABLE_OF[drive]})"
        return None, f"{said} nor by a setter of the bench"
    return begin + place.share * (end - begin), ""
