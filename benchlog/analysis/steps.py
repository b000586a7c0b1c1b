"""Noticing that a frequency stepped, while it is measured: constant memory and cost.

Readings are taken in blocks of 8 and each block by its median, so that a spike moves
nothing. Two blocks before and two after a skipped one are compared; how far such pairs
usually lie apart is learnt from the run itself, so that flicker and random walk raise
the bar by themselves. What is not level before and after is a ramp and no step.

Common practice (median filter, scaled median of absolute differences), no source; the
false alarm rates are measured in the tests.
"""

from collections import deque
from dataclasses import dataclass
from statistics import median
from typing import Final

BLOCK: Final = 8  # common practice, no source: medians of a few readings
SPAN: Final = 5  # blocks: two before, one skipped, two after; definition
_KNOWN: Final = 160  # our rule: the newest distances that the bar is learnt from
# _LEAST_KNOWN, _BAR, _LEVEL: tests/finders/step_bar.py. Criterion: no step in noise of
# any kind, clear ones are found; the rates of tests/analysis/test_steps.py.
_LEAST_KNOWN: Final = 24
_BAR: Final = 13.0  # times the median distance: about 9 standard deviations
_LEVEL: Final = 0.2


@dataclass(frozen=True, slots=True)
class FrequencyStep:
    """A step of `size` (in the unit fed) that lies between two moments, in s."""

    size: float
    after_s: float
    before_s: float


class StepWatch:
    """Feeds on readings one by one.

    Parameters
    ----------
    least : float
        Steps below this are not told; a few units of the counter's last digit.
    least_known : int
        Distances that are learnt before a step is told.
    bar : float
        How many median distances a step is.
    level : float
        How much of a step the blocks on one side of it may be apart.

    """

    def __init__(
        self,
        least: float = 0.0,
        *,
        least_known: int = _LEAST_KNOWN,
        bar: float = _BAR,
        level: float = _LEVEL,
    ) -> None:
        self.least = least
        self._least_known, self._bar, self._level = least_known, bar, level
        self._block: list[tuple[float, float]] = []
        self._blocks: deque[tuple[float, float, float]] = deque(maxlen=SPAN)
        self._distances: deque[float] = deque(maxlen=_KNOWN)

    def feed(self, t_s: float, value: float) -> FrequencyStep | None:
        """Take in one reading; return the step that has become certain with it."""
        self._block.append((t_s, value))
        if len(self._block) < BLOCK:
            return None
        middle = median(value for _, value in self._block)
        self._blocks.append((self._block[0][0], self._block[-1][0], middle))
        self._block.clear()
        return self._compare() if len(self._blocks) == SPAN else None

    def gap(self) -> None:
        """Begin a new block: what follows does not follow on."""
        self._block.clear()

    def _compare(self) -> FrequencyStep | None:
        first, second, _, fourth, fifth = (middle for *_, middle in self._blocks)
        size = (fourth + fifth) / 2 - (first + second) / 2
        level = self._level * abs(size)
        is_level = abs(second - first) <= level and abs(fifth - fourth) <= level
        if not (is_level and self._is_far(size)):
            self._distances.append(abs(size))
            return None
        step = FrequencyStep(size, self._blocks[1][1], self._blocks[3][0])
        self._blocks.clear()
        return step

    def _is_far(self, size: float) -> bool:
        if len(self._distances) < self._least_known:
            return False
        return abs(size) > max(self.least, self._bar * median(self._distances))
