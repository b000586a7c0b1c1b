"""When the readings of a stream were taken, on the computer's clock.

The counter's own time of a reading is its stamp, or the gates since the stream began.
It becomes the bench's by adding an offset, which is kept as long as it can be true:

* no reading ended after its block had come;
* where a block had all that waited, no further gate had ended when it was asked for.

Where one of both is violated the offset moves to that bound and no further. So clocks
that drift apart are followed, and delays of line and computer move no reading. A step
of more than `JUMP_S` forward is no drift: readings are missing, and the next one does
not follow on. One backward is a counter whose times cannot be true, and so is a time
before the last one of the block before.
"""

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.clock import Clock
from benchlog.units import NS_PER_S, as_stated

JUMP_S: Final = 0.05
"""Real seconds; our rule: far more than clocks drift from block to block."""
_JUMP: Final = 1.5  # our rule: of the usual spacing; one that is missing makes it two
_ROOM_GATES: Final = 2.0  # our rule: one gate may be under way, one be handed on


class TimesAheadError(ValueError):
    """Times of a counter that lie in the future, in s."""

    def __init__(self, ahead_s: float) -> None:
        super().__init__(as_stated(ahead_s))
        self.ahead_s = ahead_s


class TimesBackError(ValueError):
    """Times of a counter that go back from one block to the next, by so many s."""

    def __init__(self, back_s: float) -> None:
        super().__init__(as_stated(back_s))
        self.back_s = back_s


class StreamTime:
    """The times of one stream, from its beginning to its end."""

    def __init__(self, clock: Clock, gate_s: float, began_ns: int | None) -> None:
        """`began_ns` is when the stream was ordered to begin; None: stamps have it."""
        real_s = max(clock.real_s(1.0), 1e-9)
        self._jump_ns = JUMP_S / real_s * NS_PER_S
        self._gate_s = gate_s
        self._offset_ns = None if began_ns is None else float(began_ns)
        self._count = 0
        self._spacing_s = math.inf
        self._last_s: float | None = None
        self._last_ns: int | None = None

    def counted(self, count: int) -> NDArray[np.float64]:
        """Return the next `count` ends of gates on the counter's clock, in s."""
        first = self._count + 1
        self._count += count
        return np.arange(first, first + count, dtype=np.float64) * self._gate_s

    def placed(
        self,
        times_s: NDArray[np.float64],
        *,
        asked_ns: int,
        came_ns: int,
        drained: bool,
    ) -> tuple[NDArray[np.int64], tuple[int, ...]]:
        """Return the bench's monotonic times, and before which of them readings miss.

        `times_s` are on the counter's clock and increase; `drained` tells that the
        block had all that waited. Raises TimesAheadError, TimesBackError.
        """
        if self._last_s is not None and times_s[0] <= self._last_s:
            raise TimesBackError(self._last_s - float(times_s[0]))
        own_ns = times_s * NS_PER_S
        latest = came_ns - float(own_ns[-1])
        earliest = -np.inf
        if drained:
            room_ns = _ROOM_GATES * self._gate_s * NS_PER_S
            earliest = min(latest, asked_ns - room_ns - float(own_ns[-1]))
        offset = latest if self._offset_ns is None else self._offset_ns
        if offset - latest > self._jump_ns:
            raise TimesAheadError((offset - latest) / NS_PER_S)
        breaks = self._jumps(times_s)
        if earliest - offset > self._jump_ns and 0 not in breaks:
            breaks = (0, *breaks)
        self._offset_ns = min(max(offset, earliest), latest)
        times = np.rint(own_ns + self._offset_ns).astype(np.int64)
        if self._last_ns is not None:  # a bound may move it by less than one gate
            after = np.arange(self._last_ns + 1, self._last_ns + 1 + len(times))
            times = np.maximum(times, after)
        self._last_ns = int(times[-1])
        return times, breaks

    def _jumps(self, times_s: NDArray[np.float64]) -> tuple[int, ...]:
        """Return which times come later than the next gate's end, by the counter.

        What is usual is the least median of all blocks: a counter that rests between
        its gates has its own spacing.
        """
        begun = self._last_s is None
        first = times_s[0] - self._gate_s if self._last_s is None else self._last_s
        apart = np.diff(times_s, prepend=first)
        self._last_s = float(times_s[-1])
        known = apart[1:] if begun else apart
        if len(known):
            usual = max(float(np.median(known)), self._gate_s)
            self._spacing_s = min(self._spacing_s, usual)
        return tuple(np.flatnonzero(apart > _JUMP * self._spacing_s).tolist())
