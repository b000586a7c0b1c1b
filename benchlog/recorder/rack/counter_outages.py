"""Whether a counter was itself out of order while a device had its turn.

A turn that gave no value tells that the device is silent only where the counter is
well: one that hung, or cannot be reached, tells nothing of any device. A counter that
says nothing where it has nothing to count, and answers again when it is opened anew, is
well.
"""

from benchlog.recorder.instruments.instrument_messages import Failed, Message, Opened
from benchlog.recorder.instruments.instrument_pool import Ended

NO_VALUE = ("no-signal", "overload")
"""What a counter answers that is well and has nothing to count."""


class CounterOutages:
    """What counters said of themselves since a turn began."""

    def __init__(self) -> None:
        self._ended: set[str] = set()
        self._failing: set[str] = set()

    def begin_turn(self) -> None:
        """Forget which processes ended; one that cannot be reached still cannot."""
        self._ended.clear()

    def heard(self, name: str, message: Message | Ended) -> None:
        """Take what came of a counter."""
        match message:
            case Ended():
                self._ended.add(name)
                self._failing.add(name)
            case Failed() if message.kind not in NO_VALUE:
                self._failing.add(name)
            case Opened():
                self._failing.discard(name)

    def has(self, name: str) -> bool:
        """Whether nothing that did not come is a word of the device."""
        return name in self._ended or name in self._failing
