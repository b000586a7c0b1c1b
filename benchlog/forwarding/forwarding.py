"""Sending a database on: once, or again and again for as long as it grows."""

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, Protocol

from benchlog.clock import host_deadline, host_sleep
from benchlog.errors import BenchlogError
from benchlog.store import files
from benchlog.store.tail.tail_reader import TailReader

POLL_S: Final = 2.0
"""How often a follower looks for something new; our rule."""
DATASET_S: Final = 300.0
"""The same for a dataset, whose files of the month are written anew; our rule."""
_ALIVE_S: Final = 10.0
"""How often it tells that it is there with nothing new to send; our rule."""
_WAITS_S: Final = (1.0, 2.0, 5.0, 10.0, 30.0)
"""Between tries where something is wrong: soon at first; our rule."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KindStatus:
    """How far a kind of rows has been sent: rows that wait, and since when, in s."""

    waiting: int
    lag_s: float


@dataclass(slots=True, kw_only=True)
class ForwardReport:
    """What was sent to a place, and what waits."""

    to: str
    source: str
    sent: dict[str, int] = field(default_factory=dict)
    kinds: dict[str, KindStatus] = field(default_factory=dict)
    left_out: dict[str, str] = field(default_factory=dict)

    @property
    def total(self) -> int:
        """All rows that were sent."""
        return sum(self.sent.values())

    @property
    def lag_s(self) -> float:
        """The longest that rows wait by now, 0 where none does."""
        return max((one.lag_s for one in self.kinds.values()), default=0.0)


class Way(Protocol):
    """A way to one place, open: what a follower needs of it."""

    def send(self, report: ForwardReport) -> None:
        """Send all that is committed by now. Raises BenchlogError."""

    def status(self) -> dict[str, KindStatus]:
        """Return how far each kind has been sent. Raises BenchlogError."""

    def close(self) -> None:
        """Let go of the place."""


Open = Callable[[TailReader], Way]
"""Opens a way for a database. Raises BenchlogError."""


def send_once(reader: TailReader, report: ForwardReport, open_way: Open) -> None:
    """Send what is committed by now. Raises BenchlogError."""
    way = open_way(reader)
    try:
        way.send(report)
        files.note_forwarded(reader.original)
        report.kinds = way.status()
    finally:
        way.close()
        report.left_out.update(reader.left_out)


class ForwardLoop:
    """Sends on what is committed, for as long as it is asked to go on.

    What goes wrong is told once, and tried again; nothing is lost meanwhile, as the
    rows are in the bench's database.
    """

    def __init__(
        self,
        path: Path,
        report: ForwardReport,
        open_way: Open,
        say: Callable[[str], None],
        every_s: float,
    ) -> None:
        self._path, self._report, self._open_way = path, report, open_way
        self._say, self._every_s = say, every_s
        self._trouble = ""
        self._failed = 0

    def run(self, go_on: Callable[[], bool]) -> None:
        """Follow the database until `go_on` says no."""
        while go_on():
            try:
                with TailReader.open(self._path) as reader:
                    self._follow(reader, go_on)
            except BenchlogError as error:
                self._tell(str(error))
                self._wait(_WAITS_S[min(self._failed, len(_WAITS_S) - 1)], go_on)
                self._failed += 1

    def _follow(self, reader: TailReader, go_on: Callable[[], bool]) -> None:
        way = self._open_way(reader)
        try:
            seen: Any = None
            alive = host_deadline(0)
            while go_on():
                version = reader.data_version()
                if version != seen or alive.passed:
                    way.send(self._report)
                    files.note_forwarded(self._path)
                    self._well()
                    seen, alive = version, host_deadline(_ALIVE_S)
                self._wait(self._every_s, go_on)
                if not reader.still_there():
                    return  # the file was replaced: it is opened anew
            self._report.kinds = way.status()
        finally:
            self._report.left_out.update(reader.left_out)
            way.close()

    def _well(self) -> None:
        if self._trouble:
            self._say("it goes on: all that waited is sent")
        self._trouble, self._failed = "", 0

    def _tell(self, trouble: str) -> None:
        if trouble != self._trouble:
            self._say(f"{trouble}; trying again")
        self._trouble = trouble

    def _wait(self, real_s: float, go_on: Callable[[], bool]) -> None:
        deadline = host_deadline(real_s)
        while go_on() and not deadline.passed:
            host_sleep(min(0.1, deadline.left_s()))
