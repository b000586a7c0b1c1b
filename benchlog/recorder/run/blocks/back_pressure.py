"""Whether counters that stream are heard: not while too many readings wait.

Memory has a bound. Beyond it the keeper reads no more of such an instrument's pipe, its
process reads no more of the counter once its own room is full, and the counter's buffer
overruns: what is then lost the counter tells, and a mark is in its place.
"""

from typing import Final

from benchlog.model import EventKind
from benchlog.recorder.run.bookkeeper import Bookkeeper
from benchlog.recorder.run.commit_queue import MOST_WAITING

_AGAIN: Final = MOST_WAITING // 2  # our rule: half of it, so that it is not told often


class BackPressure:
    """Looks at what waits for the database, and tells when it changes what is heard."""

    def __init__(self, book: Bookkeeper) -> None:
        self._book = book
        self.held_back = False

    def look(self) -> bool:
        """Return whether streams are to be left unheard now."""
        waiting = self._book.queue.waiting
        if not self.held_back and waiting >= MOST_WAITING:
            self.held_back = True
            text = (
                f"{waiting:,} readings wait for the database: the counter is not read "
                "until half of them are in it; what its buffer cannot hold is lost"
            )
            self._book.say_to_all(EventKind.STORE_WAIT, text)
        elif self.held_back and waiting <= _AGAIN:
            self.held_back = False
            text = "the counter is read again"
            self._book.say_to_all(EventKind.STORE_BACK, text)
        return self.held_back
