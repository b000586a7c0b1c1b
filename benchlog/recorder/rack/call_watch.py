"""A setter's calls watched: one that does not come back is left, and the setter not.

A driver waits where its instrument lets it wait: on a server that sends an octet a
second, in a library without a deadline. The thread that would let go is the one that
waits then. So the process is begun anew in its place, with the same pipes to the keeper
and the connection closed; it opens the setter and goes on, or lets go.
"""

import os
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Final

from benchlog.clock import Deadline, host_deadline

CALL_S: Final = 15.0
"""Real seconds that a call may take beyond what its driver states; our rule: a keeper
waits for 20 s for an answer."""
LEAVING_S: Final = 4.0
"""The same once it is to let go; our rule: connecting takes 3 s at most."""
MOST_BEGINNINGS: Final = 3  # our rule: so often letting go is tried
_LOOK_S: Final = 0.1  # our rule: soon enough, and cheap


@dataclass(frozen=True, slots=True, kw_only=True)
class Carried:
    """What a process that is begun in place of another one has to know.

    `leaving`: the one before was to let go, and did not come to it.
    """

    beginnings: int = 0
    released: bool = True
    ordered: bool = False
    leaving: bool = False
    ended: bool = False


class CallWatch:
    """Calls `overdue` from a thread of its own when a call takes too long."""

    def __init__(
        self, leaving: Callable[[], bool], overdue: Callable[[], None]
    ) -> None:
        self._leaving, self._overdue = leaving, overdue
        self._limit: Deadline | None = None
        self._is_leaving: Deadline | None = None

    def start(self) -> None:
        """Begin to watch."""
        threading.Thread(target=self._watch, daemon=True).start()

    @contextmanager
    def call(self, states_s: float = 0.0) -> Iterator[None]:
        """Watch what is done in here; its driver states that it takes `states_s`."""
        around, self._is_leaving = self._limit, None
        self._limit = host_deadline(states_s + CALL_S)
        try:
            yield
        finally:
            self._limit = around

    def _watch(self) -> None:
        done = threading.Event()
        while not done.wait(_LOOK_S):
            limit = self._limit
            if limit is None:
                self._is_leaving = None
                continue
            if self._leaving() and self._is_leaving is None:
                self._is_leaving = host_deadline(LEAVING_S)
            last = self._is_leaving
            if limit.passed or (last is not None and last.passed):
                self._overdue()


def begin_anew(module: str, job: bytes) -> None:
    """Run a module in place of this process, with `job` in a file that it inherits.

    The pipes at standard input and output stay, everything else is closed.
    """
    with tempfile.TemporaryFile() as file:
        file.write(job)
        file.flush()
        file.seek(0)
        os.set_inheritable(file.fileno(), True)
        words = [sys.executable, "-P", "-m", module, str(file.fileno())]
        os.execv(sys.executable, words)  # noqa: S606 - ourselves
