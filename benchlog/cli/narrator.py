"""Lines for whoever looks on at a keeper in the foreground, who may not be reading.

A terminal held with Ctrl-S, a frozen connection and a pager that waits take nothing
once their buffer is full, and a write to them does not come back, whatever signal
comes. So a thread writes, and what it cannot get rid of is counted instead.
"""

import contextlib
import os
import signal
import sys
import threading
from collections import deque
from types import TracebackType
from typing import Final, Self, TextIO

from benchlog.cli.standard_streams import let_go_once_ended
from benchlog.clock import host_deadline
from benchlog.units import printable

_MOST: Final = 1_000  # our rule: a pause at a terminal; bounds memory
_LAST_S: Final = 2.0  # our rule: whoever reads has read the last lines by then


class Narrator:
    """Says lines on standard error and never waits for them to be taken.

    A context manager: at its end it gives the last lines 2 s. After a keeper that was
    ended by a signal in it no output is waited for.
    """

    def __init__(self) -> None:
        self._stream = sys.stderr
        self._lines: deque[str] = deque()
        self._left_out = 0
        self._busy = self._over = False
        self._news = threading.Condition()
        self._thread: threading.Thread | None = None
        self._held = contextlib.ExitStack()

    def say(self, text: str, *, ring: bool = False) -> None:
        """Tell the person something; with `ring` a terminal's bell sounds, too."""
        line = f"{printable(text)}\n"
        if ring and self._stream is not None and self._stream.isatty():
            line += "\a"
        with self._news:
            if len(self._lines) >= _MOST:
                self._left_out += 1
                return
            self._lines.append(line)
            self._begin()
            self._news.notify_all()

    def close(self) -> None:
        """Wait a while until all is said; what nobody reads by then is not said."""
        limit = host_deadline(_LAST_S)
        with self._news:
            self._over = True
            self._news.notify_all()
            if self._thread is not None:
                self._news.wait_for(lambda: not self._waiting(), limit.left_s())

    def __enter__(self) -> Self:
        self._held.enter_context(let_go_once_ended())
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        with self._held:
            self.close()

    def _waiting(self) -> bool:
        return bool(self._lines or self._busy)

    def _begin(self) -> None:
        if self._thread is None and self._stream is not None:
            thread = threading.Thread(target=self._write_all, daemon=True)
            with contextlib.suppress(RuntimeError):  # no room for a thread: said later
                thread.start()
                self._thread = thread

    def _write_all(self) -> None:
        # From the background to a terminal with `stty tostop` a write would stop the
        # process; with this it is let through.
        signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGTTOU})
        while True:
            with self._news:
                self._busy = False
                self._news.notify_all()
                self._news.wait_for(lambda: self._lines or self._over)
                if not self._lines:
                    return
                said = self._lines.popleft()
                if self._left_out and not self._lines:
                    said += f"{self._left_out:,} lines left out: nobody read them\n"
                    self._left_out = 0
                self._busy = True
            with contextlib.suppress(OSError, ValueError):  # the reader has gone
                _write(self._stream, said)


def _write(stream: TextIO, text: str) -> None:
    """Write past the stream's buffer: a thread held up in there would hold its lock."""
    try:
        number = stream.fileno()
    except OSError:  # no file, as in a test
        stream.write(text)
        return
    octets = text.encode(stream.encoding, "backslashreplace")
    while octets:
        octets = octets[os.write(number, octets) :]
