"""Progress on standard error for what takes over a second; only in a terminal."""

import sys
from types import TracebackType
from typing import Final, TextIO

from benchlog.clock import Clock, HostClock
from benchlog.units import NS_PER_S

_FIRST_S: Final = 1.0
_EVERY_S: Final = 0.2


class Progress:
    """A line that is rewritten in place: `reading run 7: 120,000 of 1,000,000 (12 %)`.

    `total` 0 means unknown. Nothing is written during the first second.
    """

    def __init__(
        self,
        what: str,
        total: int = 0,
        stream: TextIO | None = None,
        clock: Clock | None = None,
    ) -> None:
        self._what, self._total = what, total
        self._stream = sys.stderr if stream is None else stream
        self._shown = self._stream.isatty()
        self._clock = HostClock() if clock is None else clock
        self._due_ns = self._clock.mono_ns() + int(_FIRST_S * NS_PER_S)
        self._done = self._width = 0

    def __enter__(self) -> "Progress":
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._width:
            self._stream.write("\r" + " " * self._width + "\r")
            self._stream.flush()

    def add(self, count: int) -> None:
        """Count what was done since the last call, and show it now and then."""
        self.reached(self._done + count, self._total)

    def reached(self, done: int, total: int) -> None:
        """Note how much is done, of how much; show it now and then."""
        self._done, self._total = done, total
        now = self._clock.mono_ns()
        if self._shown and now >= self._due_ns:
            self._due_ns = now + int(_EVERY_S * NS_PER_S)
            self._write()

    def _write(self) -> None:
        said = f"{self._what}: {self._done:,}"
        if self._total:
            share = min(1.0, self._done / self._total)
            said += f" of {self._total:,} ({share:.0%})"
        padded = said.ljust(self._width)
        self._width = len(said)
        self._stream.write("\r" + padded)
        self._stream.flush()
