"""A train of pulses: what became of each stamp, how many of each, the good ones."""

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from benchlog.units import NS_PER_S

Array = NDArray[np.float64]
Whole = NDArray[np.int64]


class PulseKind(IntEnum):
    """What became of one stamp."""

    GOOD = 0
    BOUNCE = 1
    DOUBLED = 2
    EARLY = 3
    LATE = 4
    NO_FIX = 5
    WAITING = 6  # too little is known yet to tell


@dataclass(frozen=True, slots=True, kw_only=True)
class PulseCounts:
    """How many of each; `missed` places had no pulse, `unseen` were not stamped.

    `unseen` pulses were counted by the line or the kernel, so the source sent them and
    this computer was late.
    """

    good: int = 0
    missed: int = 0
    doubled: int = 0
    bounced: int = 0
    early: int = 0
    late: int = 0
    no_fix: int = 0
    unseen: int = 0
    blocks: int = 0


@dataclass(frozen=True, slots=True)
class PulseTrain:
    """The good pulses of a train.

    Parameters
    ----------
    mono_ns : array of int, shape (n,)
        When each came, on the host's monotonic clock.
    place : array of int, shape (n,)
        Its place on the grid, counted from the start of its block.
    block : array of int, shape (n,)
        Stretch in which places count on.
    nominal_s : float
        Spacing of the grid if the source were on nominal.

    """

    mono_ns: Whole
    place: Whole
    block: Whole
    nominal_s: float

    def __len__(self) -> int:
        return len(self.mono_ns)

    def error_s(self) -> Array:
        """Return each pulse's time error in s: what it says minus the host's time.

        Up to a constant for each block. Its slope is the fractional frequency offset
        against the host clock, positive when the source runs fast.
        """
        found = np.empty(len(self))
        for which in np.unique(self.block):
            here = self.block == which
            since_ns = self.mono_ns[here] - self.mono_ns[here][0]
            place = self.place[here] - self.place[here][0]
            found[here] = place * self.nominal_s - since_ns / NS_PER_S
        return found
