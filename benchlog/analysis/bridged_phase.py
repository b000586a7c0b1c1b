"""The phase of a run that has lost readings, carried on across what is missing.

Across a gap the phase goes on at the mean frequency of as many readings before it. What
that errs by is about what the lost readings would have added, while gaps are short
beside the run: noise keeps its shape at averaging times near the run's length.
One does not: the phase noise of a gapless counter cancels from reading to
reading, and each gap leaves two ends that do not. They add up like white FM; the number
of gaps tells how much (`noise_mixture`).
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.phase_blocks import BlockPhases, PhaseBlocks

Array = NDArray[np.float64]

LEAST: Final = 4  # our rule: the mean of fewer is a single reading's noise
"""Readings before a gap whose mean carries the phase across; more for a longer gap."""
RECENT: Final = 64  # our rule: slow noise is somewhere else before that
"""Readings that are remembered, and the longest gap in a short run."""
_OF_BLOCK: Final = 8  # our rule: longer gaps would be seen in the blocks' own means


class BridgedPhase:
    """Blocks of a phase, fed by the readings' sums and the places left empty."""

    def __init__(self) -> None:
        self._blocks = PhaseBlocks()
        self._blocks.feed(np.zeros(1))
        self._recent = np.zeros(0)
        self._filled = 0.0  # phase that was carried on so far
        self._there = self._lost = 0
        self._gaps = 0

    def feed(self, values: Array, phases: Array) -> None:
        """Take in readings without a gap, and the sum of all readings after each."""
        self._blocks.feed(phases + self._filled if self._filled else phases)
        self._remember(values)

    def feed_spaced(
        self, values: Array, phases: Array, before: float, missing: NDArray[np.int64]
    ) -> None:
        """Take in readings, `missing` places empty before each.

        `before` is the sum of the readings ahead of the first.
        """
        gaps = np.flatnonzero(missing)
        if not len(gaps):
            self.feed(values, phases)
            return
        lost = int(missing.sum())
        longest = max(RECENT, self._blocks.length // _OF_BLOCK)
        known = len(self._recent) + int(gaps[0])
        if (
            not known
            or missing.max() > longest
            or self._lost + lost > self._there + len(values) + RECENT
        ):
            self.give_up()
            return
        steps = np.zeros(len(values) + lost)
        starts = np.concatenate(([before], phases[:-1]))
        rows = np.repeat(starts, 1 + missing)
        at = np.cumsum(1 + missing) - 1
        rows[at] = phases
        levels = np.repeat(self._levels(values, gaps, missing[gaps]), missing[gaps])
        empty = np.ones(len(steps), dtype=bool)
        empty[at] = False
        steps[empty] = levels
        filled = self._filled + np.cumsum(steps)
        self._blocks.feed(rows + filled)
        self._filled = float(filled[-1])
        self._gaps += len(gaps)
        self._lost += lost
        self._remember(values)

    def give_up(self) -> None:
        """Forget all: nobody knows the phase any more."""
        self._blocks.give_up()

    def found(self, scale: float = 1.0) -> BlockPhases | None:
        """Return the blocks that are full, times `scale`; None if phase was lost."""
        return self._blocks.found(self._gaps, scale)

    def _levels(
        self, values: Array, gaps: NDArray[np.intp], lost: NDArray[np.int64]
    ) -> Array:
        """Return the mean of the readings before each gap."""
        known = np.concatenate((self._recent, values))
        end = len(self._recent) + gaps
        start = np.maximum(end - np.clip(lost, LEAST, RECENT), 0)
        summed = np.concatenate(([0.0], np.cumsum(known - known[0])))
        return np.asarray(known[0] + (summed[end] - summed[start]) / (end - start))

    def _remember(self, values: Array) -> None:
        self._there += len(values)
        if len(values) >= RECENT:
            self._recent = values[-RECENT:].copy()
        else:
            self._recent = np.concatenate((self._recent, values))[-RECENT:]
