"""The keeper's ends of the pipes to an instrument process: neither of them waits.

Whoever stops in the middle of a message, or reads no orders, is noticed by a deadline.
"""

import contextlib
import os
import sys
from typing import Final

from benchlog.clock import Deadline, host_deadline
from benchlog.recorder.instruments.instrument_messages import Message
from benchlog.recorder.instruments.message_wire import (
    HEAD,
    MOST_BYTES,
    ForeignBytesError,
    from_body,
)

# about 5,000 values wait here while a commit takes long; our rule
PIPE_BYTES: Final = 1 << 20
_AT_ONCE: Final = 1 << 16  # our rule: one that talks much holds up no other
LEFT_READS: Final = 2 * PIPE_BYTES // _AT_ONCE
"""Reads until a pipe is empty, whoever writes on; our rule: twice what it holds."""
HALF_S: Final = 2.0  # our rule: a busy host writes the rest of a message sooner
_MOST_UNREAD: Final = 1 << 20  # our rule: orders are some hundred bytes


class Inbox:
    """Messages out of a pipe; `foreign` tells why nothing more is read of it."""

    def __init__(self, fd: int) -> None:
        self._fd, self._arrived = fd, bytearray()
        self._half: Deadline | None = None
        self.foreign = ""
        os.set_blocking(fd, False)

    def fileno(self) -> int:
        """Return what to wait on."""
        return self._fd

    def read(self) -> list[Message] | None:
        """Return what has come; None at the end of the pipe, or of what is sane."""
        if self.foreign:
            return None
        try:
            more = os.read(self._fd, _AT_ONCE)
        except BlockingIOError:
            return []
        except OSError:
            return None
        if not more:
            return None
        self._arrived += more
        messages = self._messages()
        if messages or not self._arrived:
            self._half = None
        if self._arrived and self._half is None:
            self._half = host_deadline(HALF_S)
        return messages

    def read_rest(self) -> list[Message]:
        """Return what is still in the pipe of a process that has ended.

        What it has left running may go on writing, so there is a bound.
        """
        found: list[Message] = []
        for _ in range(LEFT_READS):
            more = self.read()
            if not more:
                break
            found += more
        return found

    @property
    def half(self) -> Deadline | None:
        """Until when the rest of a message must have come, if one is begun."""
        return self._half

    def excuse(self) -> None:
        """Give the rest of a message its time anew: nobody has read it meanwhile."""
        self._half = host_deadline(HALF_S) if self._arrived else None

    def close(self) -> None:
        """Let go."""
        os.close(self._fd)

    def _messages(self) -> list[Message]:
        found: list[Message] = []
        while not self.foreign and len(self._arrived) >= HEAD.size:
            (length,) = HEAD.unpack_from(self._arrived)
            end = HEAD.size + length
            if length > MOST_BYTES:
                self.foreign = f"a message of {length:,} bytes"
            elif len(self._arrived) < end:
                break
            else:
                body = bytes(self._arrived[HEAD.size : end])
                del self._arrived[:end]
                try:
                    found.append(from_body(body))
                except ForeignBytesError as error:
                    self.foreign = str(error)
        return found


class Outbox:
    """Orders into a pipe; what does not fit yet is kept and sent later."""

    def __init__(self, fd: int) -> None:
        self._fd, self._unsent = fd, b""
        os.set_blocking(fd, False)
        widen(fd)

    def send(self, frame: bytes) -> bool:
        """Send a frame, or keep it; whether its reader still keeps up."""
        self._unsent += frame
        self.flush()
        return len(self._unsent) <= _MOST_UNREAD

    def flush(self) -> None:
        """Send what was kept. A reader that is gone is noticed elsewhere."""
        with contextlib.suppress(OSError):
            while self._unsent:
                self._unsent = self._unsent[os.write(self._fd, self._unsent) :]

    def close(self) -> None:
        """Let go."""
        os.close(self._fd)


def write_all(fd: int, frame: bytes) -> None:
    """Write a frame into a pipe of one's own, waiting for room. Raises OSError."""
    left = memoryview(frame)
    while left:
        left = left[os.write(fd, left) :]


def widen(fd: int) -> None:
    """Give a pipe room where the platform lets us."""
    if sys.platform == "linux":
        import fcntl  # noqa: PLC0415 - Linux only

        with contextlib.suppress(OSError):
            fcntl.fcntl(fd, fcntl.F_SETPIPE_SZ, PIPE_BYTES)
