"""Which reading is the first after the computer slept.

A reading's monotonic stamp stands still while the computer is suspended, its wall clock
stamp does not. Readings that came before may still wait in a pipe when the sleep is
noticed: they follow on those before them.
"""

from dataclasses import dataclass


@dataclass(slots=True)
class WakeMark:
    """Looks at the stamps of one run's readings, in order; all in ns of its clock."""

    _ahead_ns: int | None = None
    _slept_ns: int = 0
    _noticed_ns: int = 0

    def slept(self, for_ns: int, noticed_ns: int) -> None:
        """Look out for the first reading after a sleep that was noticed then."""
        self._slept_ns, self._noticed_ns = for_ns, noticed_ns

    def is_before(self, mono_ns: int, utc_ns: int) -> bool:
        """Whether the sleep lies before a reading, and after the one before it.

        By how far the wall clock has gone ahead meanwhile; where that was set, too, it
        is the first reading that is later than the moment in which it was noticed.
        """
        ahead_ns, before_ns = utc_ns - mono_ns, self._ahead_ns
        if not self._slept_ns:
            self._ahead_ns = ahead_ns
            return False
        went_ns = 0 if before_ns is None else ahead_ns - before_ns
        if 2 * went_ns < self._slept_ns and mono_ns < self._noticed_ns:
            return False
        self._ahead_ns, self._slept_ns = ahead_ns, 0
        return True
