"""Pulses on a serial port's modem lines: waited for in the kernel, or polled.

Linux waits with TIOCMIWAIT, which wakes on any change of the lines asked for; the
change counters (TIOCGICOUNT) then tell what happened, also when a pulse was over before
this thread woke, and how many pulses went by unstamped. Elsewhere, and where a driver
or a network protocol has neither, the line is looked at every `poll_s`.

Of RI the 16550 reports the trailing edge alone, so `edge` does not choose there.
"""

import contextlib
import errno
import fcntl
import os
import signal
import struct
import termios
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final, Protocol

from benchlog.clock import Clock, host_sleep
from benchlog.errors import LostError, RefusedError
from benchlog.units import as_stated

from ._edges import EdgeSource, Stamp, stamp_now

LINES: Final = ("dcd", "cts", "dsr", "ri")
_WAIT: Final = getattr(termios, "TIOCMIWAIT", None)
# source: TIOCGICOUNT of asm-generic/ioctls.h; Python's termios does not name it
# everywhere
_COUNT: Final = 0x545D
_MASKS: Final = {
    "dcd": termios.TIOCM_CAR,
    "cts": termios.TIOCM_CTS,
    "dsr": termios.TIOCM_DSR,
    "ri": termios.TIOCM_RNG,
}
_COUNTER_AT: Final = {"cts": 0, "dsr": 4, "ri": 8, "dcd": 12}  # source: linux/serial.h
"""Offsets in the kernel's serial_icounter_struct (80 bytes)."""
_NONE_SUCH: Final = frozenset({errno.ENOTTY, errno.EINVAL, errno.ENOSYS})
_WAKER: Final = signal.SIGUSR1
# looks at the line before `next` gives its thread a chance to end; our rule
_LOOKS: Final = 200


class ModemLines(Protocol):
    """One modem line that can be waited for; the seam that tests have, too."""

    def wait(self) -> None:
        """Return after the next change, or when interrupted (InterruptedError)."""
        ...

    def changes(self) -> int | None:
        """Return how many changes the kernel has counted, None when it does not."""
        ...

    def active(self) -> bool:
        """Return the line's state."""
        ...

    def close(self) -> None:
        """Let go."""
        ...


class KernelLines:
    """A modem line of an open port, by the kernel's own calls (Linux).

    Holds a file of its own, so that a thread that still waits harms nobody.
    """

    def __init__(self, fd: int, line: str) -> None:
        self._fd, self._line = os.dup(fd), line

    def wait(self) -> None:
        """See `ModemLines`."""
        fcntl.ioctl(self._fd, _WAIT or 0, _MASKS[self._line])

    def changes(self) -> int | None:
        """See `ModemLines`."""
        try:
            counts = fcntl.ioctl(self._fd, _COUNT, bytes(80))
        except OSError as error:
            if error.errno in _NONE_SUCH:
                return None
            raise
        return int(struct.unpack_from("i", counts, _COUNTER_AT[self._line])[0])

    def active(self) -> bool:
        """See `ModemLines`."""
        bits = fcntl.ioctl(self._fd, termios.TIOCMGET, bytes(4))
        return bool(struct.unpack("I", bits)[0] & _MASKS[self._line])

    def close(self) -> None:
        """See `ModemLines`."""
        os.close(self._fd)


def can_wait(fd: int) -> bool:
    """Whether modem lines of this port can be waited for in the kernel.

    Raises OSError (ENOTTY) when it has none, as a pseudo-terminal has none.
    """
    fcntl.ioctl(fd, termios.TIOCMGET, bytes(4))
    return _WAIT is not None


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which edge of which line, at which address."""

    line: str
    rising: bool
    address: str

    @property
    def text(self) -> str:
        """What is waited for, in words."""
        edge = "rising" if self.rising else "falling"
        return f"{self.line.upper()}, {'trailing' if self.line == 'ri' else edge} edge"

    def lost(self, why: object) -> LostError:
        """Build the error for a port that is gone."""
        return LostError(
            f"the port {self.address} is gone ({why}); check cable and power",
            address=self.address,
        )


class WaitedEdges(EdgeSource):
    """Edges of a line that the kernel waits for."""

    how = "waits in the kernel (TIOCMIWAIT)"
    jitter = "about 0.1 ms, now and then 1 to 3 ms; a USB adapter adds up to 1 ms"

    def __init__(self, lines: ModemLines, wanted: Wanted, clock: Clock) -> None:
        self._lines, self._wanted, self._clock = lines, wanted, clock
        self._active = lines.active()
        self._changes = lines.changes()
        self._number = 0
        if self._changes is None:
            self.how += ", without change counters"

    def next(self) -> Stamp | None:
        """See `EdgeSource.next`."""
        try:
            self._lines.wait()
            mono_ns, utc_ns = stamp_now(self._clock)
            came = self._edges()
        except InterruptedError:
            return None
        except OSError as error:
            raise self._wanted.lost(error) from error
        if came == 0:
            return None
        self._number += came
        raw = f"{self._number} {'up' if self._active else 'down'}".encode()
        return Stamp(mono_ns, utc_ns, self._number, raw)

    def _edges(self) -> int:
        """Return how many wanted edges there were since the last look."""
        before, counted = self._active, self._changes
        self._active, self._changes = self._lines.active(), self._lines.changes()
        if self._changes is None or counted is None:
            # Without counters a pulse that was over at once is both edges of it.
            turned = self._active != before
            return int(self._active == self._wanted.rising) if turned else 1
        turns = self._changes - counted
        if self._wanted.line == "ri":
            return turns
        # Of n turns, those to the wanted side: every second one.
        first_wanted = before != self._wanted.rising
        return (turns + first_wanted) // 2

    def wake(self, waiter: threading.Thread) -> None:
        """See `EdgeSource.wake`: the wait ends when its thread gets a signal."""
        if waiter.ident is not None and _interruptible():
            with contextlib.suppress(ProcessLookupError, OSError):
                signal.pthread_kill(waiter.ident, _WAKER)

    def close(self) -> None:
        """See `EdgeSource.close`."""
        self._lines.close()


class PolledEdges(EdgeSource):
    """Edges of a line that is looked at again and again."""

    waits = False

    def __init__(
        self, look: Callable[[], bool], wanted: Wanted, clock: Clock, poll_s: float
    ) -> None:
        self._look, self._wanted, self._clock = look, wanted, clock
        self._poll_s, self._number = poll_s, 0
        self._active = self._seen()
        poll_ms = as_stated(poll_s * 1e3, 4)
        late_ms = as_stated(poll_s * 1e3 / 2, 4)
        self.how = f"looked at every {poll_ms} ms"
        self.jitter = f"{late_ms} ms late on average, and what polling adds"

    def next(self) -> Stamp | None:
        """See `EdgeSource.next`."""
        for _ in range(_LOOKS):
            active = self._seen()
            mono_ns, utc_ns = stamp_now(self._clock)
            before, self._active = self._active, active
            if active != before and active == self._wanted.rising:
                self._number += 1
                raw = f"{self._number} {'up' if active else 'down'}".encode()
                return Stamp(mono_ns, utc_ns, self._number, raw)
            host_sleep(self._poll_s)
        return None

    def _seen(self) -> bool:
        try:
            return self._look()
        except (OSError, ValueError, TypeError) as error:
            raise self._wanted.lost(error) from error

    def close(self) -> None:
        """See `EdgeSource.close`; the port is its owner's."""


def modem_edges(
    port: Any, wanted: Wanted, clock: Clock, poll_s: float | None
) -> EdgeSource:
    """Return the best source of edges that an open pySerial port has.

    `poll_s` given: look at the line even where it could be waited for. Raises
    RefusedError when the port has no modem lines, as a pseudo-terminal has none.
    """
    name = "cd" if wanted.line == "dcd" else wanted.line
    try:
        fd = port.fileno() if hasattr(port, "fileno") else None
    except (OSError, ValueError):  # a network port has no file
        fd = None
    try:
        if fd is not None and poll_s is None and can_wait(fd):
            _catch_signals()
            return WaitedEdges(KernelLines(fd, wanted.line), wanted, clock)
        getattr(port, name)
    except OSError as error:
        if error.errno not in _NONE_SUCH:
            raise wanted.lost(error) from error
        raise RefusedError(
            f"{wanted.address} has no modem lines, so there is no "
            f"{wanted.line.upper()}; use line 'rx' or another port",
            address=wanted.address,
        ) from error
    every_s = 1e-3 if poll_s is None else poll_s
    edges = PolledEdges(lambda: bool(getattr(port, name)), wanted, clock, every_s)
    if fd is None:
        edges.how += ", over the network"
        edges.jitter += (
            "; and what the network adds, and how often the far end looks at its line "
            "(where that is every 10 ms: about 3 ms rms)"
        )
    return edges


def _interruptible() -> bool:
    """Whether the signal that ends a wait has a handler: without one it would kill."""
    return signal.getsignal(_WAKER) not in (signal.SIG_DFL, signal.SIG_IGN, None)


def _catch_signals() -> None:
    """Give the signal a handler that does nothing; only the main thread can."""
    if threading.current_thread() is threading.main_thread() and not _interruptible():
        signal.signal(_WAKER, lambda *_: None)
