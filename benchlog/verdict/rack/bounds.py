"""What a drive may be set to: the narrowest of part, position, setter, sequence."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Self

from benchlog.model import DRIVE_UNITS, Drive, Part, Sequence
from benchlog.units import as_stated


@dataclass(frozen=True, slots=True)
class Bound:
    """One statement of what a drive may be set to, ends included, and whose it is."""

    low: float
    high: float
    owner: str


@dataclass(frozen=True, slots=True)
class Bounds:
    """All statements about one drive. Nothing may be set beyond any of them."""

    drive: Drive
    stated: tuple[Bound, ...] = ()

    def with_bound(self, bound: Bound) -> Self:
        """Return these with one more."""
        return type(self)(self.drive, (*self.stated, bound))

    @property
    def narrowest(self) -> tuple[float, float] | None:
        """The range that all of them allow; None where nobody stated one.

        Its low end may lie above its high end: then nothing is allowed.
        """
        if not self.stated:
            return None
        low = max(one.low for one in self.stated)
        return low, min(one.high for one in self.stated)

    def fault(self, value: float) -> str:
        """Return why a value may not be set, empty when it may.

        A drive that nobody has bounded is not set at all, and a value that is no number
        never.
        """
        unit = DRIVE_UNITS[self.drive]
        if not self.stated:
            return f"nothing states between which values {self.drive} may be set"
        for one in self.stated:
            if not one.low <= value <= one.high:
                ends = f"{as_stated(one.low)} to {as_stated(one.high)} {unit}"
                return f"{as_stated(value)} {unit} is outside {one.owner}: {ends}"
        return ""


@dataclass(frozen=True, slots=True)
class DrivePlaces:
    """What low, reference and high stand for; None where nobody states it."""

    low: float | None
    reference: float | None
    high: float | None

    def at(self, word: str) -> float | None:
        """Return the number of one of the words."""
        return {"low": self.low, "reference": self.reference, "high": self.high}[word]


def bounds_of(
    part: Part, sequence: Sequence, others: Iterable[tuple[Drive, Bound]] = ()
) -> Mapping[Drive, Bounds]:
    """Return the bounds of every drive: of part and sequence, and of the bench's.

    A part bounds temperature by its range, supply and control by theirs, load by its
    range. A part without a range bounds nothing, then setter and sequence must.
    """
    found = {drive: Bounds(drive) for drive in Drive}
    for drive, ends in part_ranges(part).items():
        found[drive] = found[drive].with_bound(Bound(*ends, f"part {part.id}"))
    for drive, ends in sequence.bounds.items():
        owner = f"sequence {sequence.id}"
        found[drive] = found[drive].with_bound(Bound(*ends, owner))
    for drive, bound in others:
        found[drive] = found[drive].with_bound(bound)
    return found


def places_of(
    part: Part, bench: Mapping[Drive, DrivePlaces] | None = None
) -> Mapping[Drive, DrivePlaces]:
    """Return what low, reference and high stand for, for each drive that has them.

    They are the part's where its data sheet states them, else those of the bench's
    setter: then a change is found, and no promise holds it to anything.
    """
    limits, load = part.limits, part.load
    found = dict(bench or {})
    if limits.range_c is not None:
        low, high = limits.range_c
        found[Drive.TEMPERATURE] = DrivePlaces(low, limits.reference_c, high)
    elif Drive.TEMPERATURE not in found:
        found[Drive.TEMPERATURE] = DrivePlaces(None, limits.reference_c, None)
    for drive, stated in ((Drive.SUPPLY, part.supply), (Drive.CONTROL, part.control)):
        if stated is not None:
            found[drive] = DrivePlaces(
                stated.range_v[0], stated.nominal_v, stated.range_v[1]
            )
    if load.range_pf is not None and load.load_pf is not None:
        found[Drive.LOAD] = DrivePlaces(
            load.range_pf[0], load.load_pf, load.range_pf[1]
        )
    return found


def part_ranges(part: Part) -> dict[Drive, tuple[float, float]]:
    """Return the range of each drive that a part's data sheet states."""
    stated = {
        Drive.TEMPERATURE: part.limits.range_c,
        Drive.SUPPLY: part.supply.range_v if part.supply else None,
        Drive.CONTROL: part.control.range_v if part.control else None,
        Drive.LOAD: part.load.range_pf,
    }
    return {drive: ends for drive, ends in stated.items() if ends is not None}
