"""Whether the first value of a turn is of the device whose turn it is.

A counter may answer one question late: what it counted at the end of a turn comes first
in the next one, when the scanner tells, truly, that the next device is connected. So a
first value is kept back until the second has come. Where devices are further apart than
they scatter, the two tell whose the first one is.
"""

from collections import deque
from collections.abc import Sequence
from typing import Final

import numpy as np

_SURE: Final = 5.0  # our rule: noise alone does not go so far
"""Times the largest step seen lately within devices, by which two must be apart."""
_NEARER: Final = 8.0  # times as near to one device as to the other; our rule
_KEPT: Final = 16  # steps that are remembered; our rule
_FEWEST: Final = 3  # steps that tell how far a device scatters; our rule
_PROOFS: Final = 3  # turns that show that a counter keeps in step; our rule
_TRIES: Final = 12
"""Turns in which it is looked for; our rule: where devices are alike it never shows,
and a turn of one gate takes two as long as it is."""
OF_BEFORE: Final = (
    "value refused, it is of the device that had its turn before: the counter answers "
    "one question late"
)
LATE: Final = (
    "the counter answers one question late: the first value of a turn is of the device "
    "before. Such values are refused from now on; those of the turns before this one "
    "were kept under the wrong device: measure again, with a counter or dialect that "
    "begins its gate when it is asked"
)


class FirstValues:
    """What all turns at one counter tell of whether it keeps in step."""

    def __init__(self) -> None:
        self._steps: deque[float] = deque(maxlen=_KEPT)
        self._own: dict[int, float] = {}
        self._before: tuple[int, float] | None = None
        self._proofs = self._tries = 0
        self._told = False
        self.late = False

    def keeps_back(self, channel: int, *, single: bool) -> bool:
        """Tell whether the first value of a turn has to wait for the second.

        In a turn of a `single` gate it costs another one: only until the counter has
        shown that it keeps in step, or that nobody can tell.
        """
        if self._before is not None and self._before[0] == channel:
            return False
        looked_for = self._proofs < _PROOFS and self._tries < _TRIES
        return self.late or looked_for or not single

    def is_own(self, first: float, second: float) -> bool:
        """Tell whether the first value of a turn, kept back, is its device's own.

        Where nobody could tell, it is, unless the counter was found to be late.
        """
        if self._before is None:
            return True
        self._tries += 1
        least = np.inf
        if len(self._steps) >= _FEWEST:
            least = _SURE * max(self._steps)
        own, other = abs(first - second), abs(first - self._before[1])
        if abs(second - self._before[1]) <= least:
            return not self.late
        if own > least and other * _NEARER < own:
            self.late, self._proofs = True, 0
            return False
        if own * _NEARER < other:
            self._proofs, self.late = self._proofs + 1, False
            return True
        return not self.late

    def turn_over(self, channel: int, values: Sequence[float]) -> None:
        """Take what a turn gave, its first value included; it may be another's."""
        if not values:
            return
        own, last = values[1:], values[-1]
        if len(own) > 1:
            self._steps.extend(np.abs(np.diff(own)).tolist())
        elif channel in self._own:
            self._steps.append(abs(last - self._own[channel]))
        self._own[channel] = last
        self._before = channel, last

    def news(self) -> str:
        """Return, once, that the counter was found to be late."""
        told, self._told = self._told, self.late
        return LATE if self.late and not told else ""
