"""What is answered to a scrape: worked out in one thread, for all who ask at once."""

from concurrent.futures import Future, ThreadPoolExecutor
from concurrent.futures import TimeoutError as TooLateError
from pathlib import Path
from threading import Lock
from typing import Final

from benchlog.clock import Clock, Deadline, host_deadline
from benchlog.errors import StoreError
from benchlog.metrics.exposition import metrics_text
from benchlog.metrics.followed_runs import FollowedRuns

SAME_FOR_S: Final = 0.5  # our rule: many who ask at once cost as much as one
WITHIN_S: Final = 8.0  # our rule: less than the usual patience of a scraper, 10 s


class Scrapes:
    """The figures of a database as text, for any number of threads that ask."""

    def __init__(self, database: Path, clock: Clock) -> None:
        self._followed = FollowedRuns(database, clock)
        self._worker = ThreadPoolExecutor(1, "metrics")
        self._lock = Lock()
        self._asked: Future[bytes] | None = None
        self._same_until: Deadline | None = None
        self._ask()

    def text(self, within_s: float = WITHIN_S) -> bytes | None:
        """Return the text as it is now; None where it takes longer.

        The first look at a long run may: it goes on meanwhile.
        """
        try:
            return self._ask().result(within_s)
        except TooLateError:
            return None

    def close(self) -> None:
        """End the thread and let go of the database."""
        self._worker.submit(self._followed.close)
        self._worker.shutdown(wait=True)

    def _ask(self) -> "Future[bytes]":
        with self._lock:
            old = self._same_until is None or self._same_until.passed
            if self._asked is None or (old and self._asked.done()):
                self._asked = self._worker.submit(self._look)
                self._same_until = host_deadline(SAME_FOR_S)
            return self._asked

    def _look(self) -> bytes:
        try:
            runs = self._followed.look()
        except StoreError:  # not there yet, or in trouble: that is told
            return metrics_text(None)
        return metrics_text(runs, self._followed.left_out)
