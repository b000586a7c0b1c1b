"""Pulses as stamps: what every source of edges is, and the thread that waits for them.

A stamp is taken right after the wait returns, before anything else is looked at. The
thread only waits and stamps; whoever is slow to fetch stamps finds them unchanged. What
a source can wait on differs (modem lines, received bytes, the kernel's pulse interface)
and so does how late a stamp is; `jitter` says what to expect.
"""

import contextlib
import os
import threading
from abc import ABC, abstractmethod
from collections import deque
from dataclasses import dataclass
from typing import Final

from benchlog.clock import Clock, Deadline
from benchlog.errors import InstrumentError, SilentError

MAX_WAITING: Final = 10_000  # our rule: bounds memory
"""Stamps that may wait unfetched; the oldest go first, their numbers tell."""
# _JOIN_S, _JOINS, _START_S: our rule: a thread wakes by then.
_JOIN_S: Final = 0.05
_JOINS: Final = 20
_START_S: Final = 1.0


@dataclass(frozen=True, slots=True)
class Stamp:
    """One pulse: when, which number the line or the kernel counts it as, its words."""

    mono_ns: int
    utc_ns: int
    number: int
    raw: bytes


class EdgeSource(ABC):
    """Something that pulses can be waited for at. Opened when made."""

    how: str = ""
    """How stamps are taken, for people."""
    jitter: str = ""
    """How well, for people."""
    waits: bool = True
    """Whether `next` sleeps until something comes (a polled line is looked at)."""

    @abstractmethod
    def next(self) -> Stamp | None:
        """Wait for the next pulse; None after a while without one, or when woken.

        Raises LostError when there is nothing to wait on any more.
        """

    def wake(self, waiter: threading.Thread) -> None:  # noqa: B027 - most need none
        """Let a `next` that this thread waits in return soon."""

    @abstractmethod
    def close(self) -> None:
        """Let go. Never raises; no `next` is running."""


class Stamper:
    """Owns a source and waits on it until closed."""

    def __init__(self, source: EdgeSource, address: str) -> None:
        self.source, self._address = source, address
        self._stamps: deque[Stamp] = deque(maxlen=MAX_WAITING)
        self._news = threading.Condition()
        self._end: InstrumentError | None = None
        self._done = threading.Event()
        self._running = threading.Event()
        self.first = False
        """Whether the thread that stamps goes before others (real-time priority)."""
        self._thread = threading.Thread(
            target=self._wait, name=f"pulses {address}", daemon=True
        )
        self._thread.start()
        self._running.wait(_START_S)

    def next(self, deadline: Deadline) -> Stamp:
        """Return the oldest stamp not fetched yet.

        Raises SilentError at the deadline, and what ended the waiting (LostError).
        """
        with self._news:
            self._news.wait_for(lambda: self._stamps or self._end, deadline.left_s())
            if self._stamps:
                return self._stamps.popleft()
            if self._end is not None:
                raise self._end
        raise SilentError(
            f"no pulse at {self._address} in time; check wiring and level, that the "
            "right line and edge are named, and interval_s",
            address=self._address,
        )

    def close(self) -> None:
        """Stop waiting and let go of the source. Never raises."""
        self._done.set()
        for _ in range(_JOINS):
            # A wake that comes just before the wait is missed, so it is repeated.
            self.source.wake(self._thread)
            self._thread.join(_JOIN_S)
            if not self._thread.is_alive():
                break
        with contextlib.suppress(OSError):
            self.source.close()

    def _wait(self) -> None:
        self.first = self.source.waits and go_first()
        self._running.set()
        while not self._done.is_set():
            try:
                stamp = self.source.next()
            except InstrumentError as error:
                with self._news:
                    self._end = error
                    self._news.notify_all()
                return
            if stamp is not None:
                with self._news:
                    self._stamps.append(stamp)
                    self._news.notify_all()


def go_first() -> bool:
    """Let this thread run before others where the system allows it; say whether.

    For a thread that waits and stamps and does nothing else: on a busy computer stamps
    scatter by a tenth of what they do otherwise (tests/drivers/STAMPS.md). It takes a
    privilege or a limit (`rtprio`) that most desktops do not give.
    """
    try:
        policy = os.SCHED_FIFO | os.SCHED_RESET_ON_FORK
        os.sched_setscheduler(0, policy, os.sched_param(1))
    except (OSError, AttributeError):  # not allowed, or no such thing here
        return False
    return True


def stamp_now(clock: Clock) -> tuple[int, int]:
    """Return (mono_ns, utc_ns) of now, the monotonic one first."""
    return clock.mono_ns(), clock.utc_ns()
