"""Readings that an instrument hands over many at once, and the form they come in."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from benchlog.model.kinds import Flag

if TYPE_CHECKING:  # instrument processes that get no blocks never need numpy
    import numpy as np
    from numpy.typing import NDArray

MOST_READINGS: Final = 20_000
"""Readings in one block; our rule: a fifth of a second of a fast counter, 320 kB."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleBlock:
    """What a driver hands over for one `read_block`, before anybody has judged it.

    Parameters
    ----------
    values : array of float
        The readings in the order in which they were taken, in `unit`. What the
        instrument had no value for is NaN, or infinite where it was beyond its range.
    mono_ns : array of int
        The end of each reading's gate on the bench's monotonic clock.
    utc_ahead_ns : int
        UTC less monotonic time when the block came.
    unit : str
        `Hz`: only counters hand over blocks.
    gate_s : float
        The gate of all of them.
    breaks : tuple of int
        Readings, counted from 0 and in order, that do not follow on the one before:
        some are missing. 0 is one that does not follow on the block before.
    lost : int
        How many readings the instrument tells to have lost since the block before.
    texts : tuple of str
        The instrument's own text of each value, where a float64 would lose digits of
        one; else empty.
    raw : bytes
        The beginning of the block as it came.
    step : float | None
        What one unit of the last digit is worth, in `unit`; None for binary values.
    flags : Flag
        What the driver knows of all of them besides their numbers.

    """

    values: "NDArray[np.float64]"
    mono_ns: "NDArray[np.int64]"
    utc_ahead_ns: int
    unit: str
    gate_s: float
    breaks: tuple[int, ...] = ()
    lost: int = 0
    texts: tuple[str, ...] = ()
    raw: bytes = b""
    step: float | None = None
    flags: Flag = Flag.NONE

    def __len__(self) -> int:
        return len(self.values)


REAL, TEXT = "real", "text"
DATA = (REAL, TEXT)
"""What a block is made of: IEEE 754 doubles in an IEEE 488.2 definite-length block, or
a line of decimal numbers with commas between."""
BIG, LITTLE = "big", "little"
ORDERS = (BIG, LITTLE)
"""Which octet of a double comes first: the most significant one or the least."""
VALUE, STAMP = "value", "stamp"
FIELDS = (VALUE, STAMP)
"""What there is of each reading: its value, the time at which its gate ended."""


_LETTERS: Final = 26
"""Derived: a comma, and the longest decimal number that gives a double back, 17 digits
with sign, point and exponent of three digits (IEEE 754, clause 5.12.2)."""
LONGEST_LINE: Final = 65_536  # our rule: no reply to any query of ours is so long


def most_in_a_line(fields: int) -> int:
    """Return how many readings of so many numbers a line of text holds for sure."""
    return LONGEST_LINE // (_LETTERS * fields)


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockForm:
    """How a family of counters hands over blocks; `[block]` of a dialect.

    Parameters
    ----------
    data : str
        One of `DATA`.
    order : str
        One of `ORDERS`, of `REAL`.
    fields : tuple of str
        What comes of each reading, in order, out of `FIELDS`.
    stamp_s : float
        What 1 of a stamp is in seconds.
    most : int
        Readings in one answer; `{most}` in a command. Of text there are no more than a
        line holds.

    """

    data: str = REAL
    order: str = BIG
    fields: tuple[str, ...] = (VALUE,)
    stamp_s: float = 1.0
    most: int = MOST_READINGS

    @property
    def stamped(self) -> bool:
        """Whether the counter gives each reading's time."""
        return STAMP in self.fields
