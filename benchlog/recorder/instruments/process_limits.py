"""What an instrument's process may take: memory, and how much it may say."""

from collections.abc import Callable
from typing import Final

from benchlog.clock import Deadline, host_deadline
from benchlog.process_memory import process_memory

MEMORY_MB: Final = 512  # our rule: eight times what a driver takes
"""Resident memory of one instrument process; a driver with VISA takes 60 MB."""
MOST_A_SECOND: Final = 2_000  # our rule: see below
"""Messages of one instrument, in real seconds; more than a keeper could commit for
long. A stream this fast is a fault of its driver, not a measurement."""
_WINDOW_S: Final = 2.0  # our rule: a burst is no flood


def resident_mb(pid: int) -> float:
    """Return the resident memory of a process, 0 where that cannot be told."""
    return process_memory(pid).resident / 1e6


class Flood:
    """Counts messages in windows of two real seconds.

    Those that were `waiting` do not count: a keeper that was away finds a full pipe,
    which is no fault of the instrument.
    """

    def __init__(
        self,
        most_a_second: float = MOST_A_SECOND,
        window: Callable[[float], Deadline] = host_deadline,
        waiting: int = 0,
    ) -> None:
        self._most = most_a_second * _WINDOW_S
        self._window = window
        self._count, self._waiting = 0, waiting
        self._end = window(_WINDOW_S)

    def is_one(self, count: int) -> bool:
        """Take in `count` more messages; whether they are too many by now."""
        if self._end.passed:
            self._count, self._end = 0, self._window(_WINDOW_S)
        waited = min(count, self._waiting)
        self._waiting -= waited
        self._count += count - waited
        return self._count > self._most
