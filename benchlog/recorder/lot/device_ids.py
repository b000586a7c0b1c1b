"""Device ids from a file or another program, a line each."""

import os
import selectors
import stat
from collections import deque
from collections.abc import Iterable
from typing import Final

from benchlog.errors import UsageError
from benchlog.model import device_id_fault
from benchlog.model.run_codes import MOST_CHARACTERS, run_code

_PIECE: Final = 65_536  # our rule: what a pipe holds
_MOST: Final = 10_000  # our rule: lines that wait; ten times the largest samples
_MOST_OCTETS: Final = 10_000_000  # our rule: of a file, a million ids
_LONGEST: Final = 8 * MOST_CHARACTERS  # our rule: octets of a line, too long to be one


class Ids:
    """Ids and codes of runs in the order in which they came; blank lines mean nothing.

    What is no UTF-8 is kept readable as escapes. `fd` is read when it has something,
    so that it can be waited on together with instruments (`be_heard`). Of a line
    without an end its beginning is kept. Raises UsageError where `fd` is a file of more
    than 10 MB.
    """

    def __init__(self, listed: Iterable[str] = (), fd: int | None = None) -> None:
        self._waiting: deque[str] = deque()
        self.in_file = fd is None or not can_be_waited_on(fd)
        """Whether all stand in a file: their devices are in before any is measured."""
        self._fd, self._half = fd, b""
        self._heard: int | None = None
        self.refused: list[str] = []
        """Lines that are no ids, to be said."""
        for device in listed:
            self.add(device)
        if fd is not None and not can_be_waited_on(fd):
            self._read_all()

    @property
    def ended(self) -> bool:
        """Whether no more lines can come; some may still wait to be taken."""
        return self._fd is None

    @property
    def exhausted(self) -> bool:
        """Whether everything has come and was taken."""
        return self.ended and not self._waiting

    @property
    def full(self) -> bool:
        """Whether so many lines wait to be taken that no more are wanted now."""
        return len(self._waiting) + len(self.refused) >= _MOST

    def be_heard(self, selector: selectors.BaseSelector) -> None:
        """Have a selector tell, as `ids`, of lines that come; while they are wanted."""
        wanted = None if self.full else self._fd
        if self._heard is None and wanted is not None:
            selector.register(wanted, selectors.EVENT_READ, ("ids", None))
        elif self._heard is not None and wanted is None:
            selector.unregister(self._heard)
        self._heard = wanted

    def read(self) -> int:
        """Take what has come; it may be the end. Return how many octets."""
        if self._fd is None:
            return 0
        piece = os.read(self._fd, _PIECE)
        *lines, self._half = (self._half + piece).split(b"\n")
        self._half = self._half[:_LONGEST]
        if not piece:
            lines, self._half, self._fd = [*lines, self._half], b"", None
        for line in lines:
            self._add(line.decode("utf-8", errors="backslashreplace").strip())
        return len(piece)

    def _read_all(self) -> None:
        octets = 0
        while not self.ended:
            octets += self.read()
            if octets > _MOST_OCTETS:
                raise UsageError(
                    f"standard input has more than {_MOST_OCTETS:,} octets: is it a "
                    "list of ids? A longer one comes through a pipe"
                )

    def add(self, device: str) -> None:
        """Put one behind the others."""
        self._add(device.strip())

    def next_id(self) -> str | None:
        """Return the next one, None when none has come."""
        return self._waiting.popleft() if self._waiting else None

    def _add(self, device: str) -> None:
        if not device:
            return
        if device_id_fault(device) and run_code(device) is None:
            self.refused.append(device)
        else:
            self._waiting.append(device)


def can_be_waited_on(fd: int) -> bool:
    """Whether a selector takes it: pipes, sockets and terminals, not files."""
    mode = os.fstat(fd).st_mode
    return stat.S_ISFIFO(mode) or stat.S_ISSOCK(mode) or os.isatty(fd)
