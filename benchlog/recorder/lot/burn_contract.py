"""What a search for a code needs of whoever burns it, and of whoever feeds the chip."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from benchlog.errors import BenchlogError
from benchlog.recorder.run.conditions import SetOrder


class ProgramUnderWay(Protocol):
    """A program that was started, or a setter that was ordered."""

    @property
    def orders(self) -> Sequence[tuple[SetOrder, float | None]]:
        """What setters were told for it, with what was read back."""
        ...

    def outcome(self) -> str | None:
        """Return None while it runs, nothing when all was well, else why not."""
        ...


@dataclass(frozen=True, slots=True)
class BurnBefore:
    """A burn of the device that was begun before: `told` where and when.

    `code` is None where nobody can read it any more.
    """

    told: str
    code: int | None = None


class Burning(Protocol):
    """How the code of one device is burned, and its supply taken away and given."""

    @property
    def cycles(self) -> bool:
        """Whether there is a way to take the supply away."""
        ...

    @property
    def burned_before(self) -> BurnBefore | None:
        """The burn of this device that was begun before, None when there was none."""
        ...

    def burn(self, code: int) -> ProgramUnderWay:
        """Start the program that burns a code. Raises BenchlogError."""
        ...

    def power_cycle(self, code: int) -> ProgramUnderWay:
        """Start the program that takes the supply away. Raises BenchlogError."""
        ...


class BurnError(BenchlogError):
    """A program that burns a code, or takes the supply away, did not end well."""
