"""Mean phases of equal blocks of a run: a few dozen, however long it is.

What a run shows of noise at averaging times near its own length lies in its slowest
motions. Octaves of the Allan variance lose much of it: in them white phase noise of the
run's two ends hides what moves slowly. Mean phases keep it, and average that noise.
"""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

MOST: Final = 64  # our rule: 32 to 63 blocks hold the eight slowest motions
"""Blocks from which neighbours are joined."""


@dataclass(frozen=True, slots=True)
class BlockPhases:
    """Mean phases (unit of frequency times tau0) of blocks of `length` phases each.

    `gaps` is how often the phase was carried across missing readings.
    """

    means: tuple[float, ...]
    length: int
    gaps: int = 0


def without_slope(blocks: BlockPhases, slope: float) -> BlockPhases:
    """Return the means as they were without a line of `slope` in the frequency.

    `slope` is in the unit of the frequency per reading; its phase is slope i^2 / 2.
    """
    ends = np.arange(len(blocks.means) + 1, dtype=np.float64) * blocks.length
    squares = np.diff((ends - 1.0) * ends * (2.0 * ends - 1.0) / 6.0) / blocks.length
    kept = np.array(blocks.means) - slope / 2.0 * squares
    return replace(blocks, means=tuple(kept.tolist()))


class PhaseBlocks:
    """Joins phases in pairs, and pairs in pairs, as blocks grow with the run.

    The order of sums is that of the tree, so how phases are chunked does not matter.
    """

    def __init__(self) -> None:
        self._open: list[float | None] = [None]
        self._sums: list[float] = []
        self._broken = False

    def feed(self, phases: Array) -> None:
        """Take in phases in the order of time."""
        if self._broken:
            return
        if len(phases) == 1:
            self._enter(float(phases[0]))
        else:
            self._enter_many(phases)
        while len(self._sums) >= MOST:
            self._join()

    def give_up(self) -> None:
        """Forget all: nobody knows the phase any more."""
        self._broken = True
        self._sums, self._open = [], [None]

    @property
    def length(self) -> int:
        """Phases to a block."""
        return 1 << (len(self._open) - 1)

    def found(self, gaps: int = 0, scale: float = 1.0) -> BlockPhases | None:
        """Return the blocks that are full; None of less than one, or if given up.

        `scale` turns the unit of the phases into that of the means.
        """
        if not self._sums:
            return None
        factor = scale / self.length
        means = tuple([factor * value for value in self._sums])
        return BlockPhases(means, self.length, gaps)

    def _enter(self, value: float) -> None:
        for level in range(len(self._open) - 1):
            before = self._open[level]
            if before is None:
                self._open[level] = value
                return
            self._open[level], value = None, before + value
        self._sums.append(value)

    def _enter_many(self, values: Array) -> None:
        for level in range(len(self._open) - 1):
            before = self._open[level]
            if before is not None:
                values = np.concatenate(([before], values))
            odd = len(values) % 2
            self._open[level] = float(values[-1]) if odd else None
            values = values[: len(values) - odd]
            values = values[::2] + values[1::2]
        self._sums += values.tolist()

    def _join(self) -> None:
        """Let blocks be twice as long; what is odd waits for its neighbour."""
        sums = self._sums
        self._open[-1] = sums.pop() if len(sums) % 2 else None
        self._open.append(None)
        self._sums = [a + b for a, b in zip(sums[::2], sums[1::2], strict=True)]
