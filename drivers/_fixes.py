"""Whether the receiver had a fix when it pulsed, from the sentences that follow."""

import contextlib
import threading
from collections import deque
from collections.abc import Callable
from typing import Final

from benchlog.clock import Clock, Deadline
from benchlog.errors import InstrumentError

from ._nmea import LONGEST, MalformedError, Report, read_sentence

_KEPT: Final = 256  # our rule: bounds memory
_JOIN_S: Final = 2.0  # our rule: threads end by then
# real seconds between tries to open a lost port; our rule: as an instrument's process
_WAITS_S: Final = (0.2, 1.0, 5.0)
_FAULTS: Final = (InstrumentError, OSError, TypeError, ValueError)

Receive = Callable[[], bytes]
"""Returns what arrives within a short while, empty if nothing; raises when lost."""


class Fixes:
    """Reads sentences in a thread; remembers when each said fix or no fix.

    A receiver describes a pulse in the sentences that follow it. What several kinds of
    sentence say must agree: one that says "no fix" stands until it says otherwise.
    `reopen` gives a new way to receive where the port is lost: pulses go on meanwhile,
    with nobody to vouch for them. Without it nothing is heard from then on.
    """

    def __init__(
        self, receive: Receive, clock: Clock, reopen: Callable[[], Receive] | None
    ) -> None:
        self._receive, self._clock, self._reopen = receive, clock, reopen
        self._said: dict[str, bool] = {}
        self._history: deque[tuple[int, bool]] = deque(maxlen=_KEPT)
        self._news = threading.Condition()
        self._done = threading.Event()
        self.malformed = 0
        self.newest: Report | None = None
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()

    def after(self, mono_ns: int, deadline: Deadline) -> bool:
        """Whether the first sentence after `mono_ns` says that there was a fix.

        False when none came by the deadline: a pulse nobody vouches for.
        """

        def first() -> tuple[int, bool] | None:
            return next((said for said in self._history if said[0] > mono_ns), None)

        with self._news:
            self._news.wait_for(
                lambda: first() or self._done.is_set(), deadline.left_s()
            )
            found = first()
        return found is not None and found[1]

    def close(self) -> None:
        """Stop reading. Never raises; the port is its owner's."""
        self._done.set()
        with self._news:
            self._news.notify_all()
        self._thread.join(_JOIN_S)

    def _listen(self) -> None:
        failed = 0
        while not self._done.is_set():
            with contextlib.suppress(*_FAULTS):
                if failed and self._reopen is not None:
                    self._receive = self._reopen()
                failed = 0
                self._hear_all()
            if self._reopen is None:
                return
            self._done.wait(_WAITS_S[min(failed, len(_WAITS_S) - 1)])
            failed += 1

    def _hear_all(self) -> None:
        waiting = b""
        while not self._done.is_set():
            *lines, waiting = (waiting + self._receive()).split(b"\n")
            waiting = waiting[-2 * LONGEST :]
            for line in lines:
                self._hear(line.strip(b"\r"))

    def _hear(self, line: bytes) -> None:
        try:
            report = read_sentence(line)
        except MalformedError:
            self.malformed += 1
            return
        if report.fix is None:
            return
        with self._news:
            self._said[report.kind] = report.fix
            self._history.append((self._clock.mono_ns(), all(self._said.values())))
            self.newest = report
            self._news.notify_all()
