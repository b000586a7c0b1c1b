"""The byte link under every driver: whole lines or an honest error, nothing between.

A line is complete when its terminator has arrived, never before. A closed peer is a
LostError at once, silence is a SilentError at a deadline on the monotonic clock, and
both carry the bytes that had arrived. One link has one owner and one thread.
"""

from abc import ABC, abstractmethod
from typing import Final

from benchlog.clock import Deadline, HostClock
from benchlog.errors import (
    GarbledError,
    InstrumentError,
    LostError,
    RefusedError,
    SilentError,
)
from benchlog.model.blocks import LONGEST_LINE
from benchlog.units import NS_PER_S

MAX_LINE: Final = LONGEST_LINE
"""No reply to any query of ours is this long; what is longer is not one."""
CONNECT_S: Final = 3.0
"""Real seconds that reaching an instrument may take."""


class Link(ABC):
    """An open connection to one instrument.

    Parameters
    ----------
    address : str
        Where it leads, for messages.
    terminator : bytes
        Sent after every message. The last byte of it ends a line that arrives, so an
        instrument that answers with a line feed only is understood too.

    """

    advice: str = "check that it is the instrument you think it is"

    def __init__(self, address: str, terminator: bytes) -> None:
        self.address, self.terminator = address, terminator
        self.pause_s = 0.0
        """The longest pause between bytes of the line read last, in real s."""

    @abstractmethod
    def send(self, *messages: bytes) -> None:
        """Send messages, each with its terminator; in one write where bytes stream.

        Two small writes would cost 44 ms on TCP. Raises LostError.
        """

    @abstractmethod
    def read_line(self, deadline: Deadline, command: str = "") -> bytes:
        """Return one line with its terminator.

        `command` is what it should answer, for messages. Raises SilentError, LostError
        or, for a line without end, GarbledError; each with the bytes that had arrived.
        """

    def read_octets(self, count: int, deadline: Deadline, command: str = "") -> bytes:
        """Return so many octets, whatever they are: of a block, not of a line.

        Raises SilentError and LostError with what had arrived; RefusedError where such
        a connection carries lines alone.
        """
        del count, deadline
        raise RefusedError(
            f"no blocks of readings come over {self.address}; use a plain socket, a "
            "serial line, HiSLIP or USB, or a dialect without [block]",
            address=self.address,
            command=command,
        )

    @abstractmethod
    def waiting(self) -> bytes:
        """Take what has arrived and was not read, without waiting. Raises LostError."""

    def rest(self) -> bytes:
        """Return what came together with the last line, behind it."""
        return b""

    def clear(self) -> bool:
        """Have the instrument forget what it was asked; return whether it has."""
        return False

    @abstractmethod
    def close(self) -> None:
        """Let go. Never raises."""

    def lost(self, why: object, command: str = "", raw: bytes = b"") -> LostError:
        """Build the error for a connection that is gone."""
        said = (
            f"the connection to {self.address} is gone ({why}); check cable and power"
        )
        return LostError(said, address=self.address, command=command, raw=raw)

    def silent(self, command: str, raw: bytes) -> SilentError:
        """Build the error for an answer that did not come, with the thing to try."""
        asked = f"to {command!r} " if command else ""
        ends = self.terminator.decode("latin-1")
        if raw:
            said = (
                f"{self.address} answered {asked}with {len(raw)} bytes and no "
                f"terminator: {raw[:60]!r}; lines end with {ends!r} here: check the "
                "terminator in the dialect"
            )
        else:
            said = (
                f"no answer {asked}from {self.address} (0 bytes in time, "
                f"lines end with {ends!r}); {self.advice}"
            )
        return SilentError(said, address=self.address, command=command, raw=raw)


class StreamLink(Link):
    """A link over a stream of bytes: subclasses move them, this finds the lines."""

    def __init__(self, address: str, terminator: bytes) -> None:
        super().__init__(address, terminator)
        self._arrived = bytearray()
        self._arrived_ns = 0
        self._pause_s = 0.0

    @abstractmethod
    def _write(self, data: bytes) -> None:
        """Send all of `data`. Raises LostError."""

    @abstractmethod
    def _receive(self, real_s: float) -> bytes:
        """Return what arrives within `real_s`, empty if nothing. Raises LostError."""

    def send(self, *messages: bytes) -> None:
        """See `Link.send`."""
        self._write(b"".join(message + self.terminator for message in messages))

    def read_line(self, deadline: Deadline, command: str = "") -> bytes:
        """See `Link.read_line`."""
        looked = 0
        while (end := self._arrived.find(self.terminator[-1:], looked)) < 0:
            looked = len(self._arrived)
            if looked > MAX_LINE:
                raise self._endless(command)
            try:
                self._append(self._receive(deadline.left_s()))
            except InstrumentError as error:
                error.command, error.raw = command, bytes(self._arrived)
                raise
            if len(self._arrived) == looked and deadline.passed:
                raise self.silent(command, bytes(self._arrived))
        line = bytes(self._arrived[: end + 1])
        del self._arrived[: end + 1]
        self.pause_s, self._pause_s = self._pause_s, 0.0
        return line

    def read_octets(self, count: int, deadline: Deadline, command: str = "") -> bytes:
        """See `Link.read_octets`."""
        while (before := len(self._arrived)) < count:
            try:
                self._arrived += self._receive(deadline.left_s())
            except InstrumentError as error:
                error.command, error.raw = command, bytes(self._arrived)
                raise
            if len(self._arrived) == before and deadline.passed:
                raise self.silent(command, bytes(self._arrived))
        taken = bytes(self._arrived[:count])
        del self._arrived[:count]
        return taken

    def waiting(self) -> bytes:
        """See `Link.waiting`."""
        while len(self._arrived) <= MAX_LINE and (more := self._receive(0.0)):
            self._arrived += more
        taken = bytes(self._arrived)
        self._arrived.clear()
        return taken

    def rest(self) -> bytes:
        """See `Link.rest`."""
        return bytes(self._arrived)

    def _append(self, data: bytes) -> None:
        """Keep what arrived, and how long it was waited for in the middle of a line."""
        if data:
            now_ns = HostClock().mono_ns()
            if self._arrived:
                pause_s = (now_ns - self._arrived_ns) / NS_PER_S
                self._pause_s = max(self._pause_s, pause_s)
            self._arrived_ns = now_ns
            self._arrived += data

    def _endless(self, command: str) -> GarbledError:
        return GarbledError(
            f"{self.address} sent {len(self._arrived)} bytes without a line end; "
            "check the terminator in the dialect and the line's settings",
            address=self.address,
            command=command,
            raw=bytes(self._arrived[:MAX_LINE]),
        )
