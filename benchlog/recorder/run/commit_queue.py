"""From accepted rows to committed rows: batched, kept through trouble, none lost."""

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from benchlog.clock import Deadline, HostClock, host_deadline
from benchlog.errors import StoreError, StoreRefusedError
from benchlog.model import Event, Reading
from benchlog.recorder.run.live_run import LiveRun
from benchlog.store.rows import Row
from benchlog.store.unsaved_rows import places_beside, save_rows
from benchlog.store.writer import Writer

# _SPACING_S, _LATEST_S: our rule: seen at once, and few commits.
_SPACING_S: Final = 0.05
_LATEST_S: Final = 0.25
# _FIRST_RETRY_S, _LAST_RETRY_S: our rule: doubled with each failure.
_FIRST_RETRY_S: Final = 0.5
_LAST_RETRY_S: Final = 5.0
_MOST_ROWS: Final = 200_000  # our rule: bounds memory; hours of readings
_LOOK_S: Final = 2.0  # our rule: cheap, and soon enough


@dataclass(frozen=True, slots=True, kw_only=True)
class CommitOutcome:
    """What one attempt to commit led to.

    `rows` are now safe on disk; `refused` can never be stored, with why. `trouble` is
    said once when it begins; `recovered` once when it is over, with how many readings
    had found no room in memory.
    """

    rows: tuple[Row, ...] = ()
    refused: tuple[tuple[Row, str], ...] = ()
    trouble: str = ""
    recovered: bool = False
    lost: int = 0


class CommitQueue:
    """Rows on their way into the database."""

    def __init__(self, writer: Writer) -> None:
        self.writer = writer
        self._pending: list[Row] = []
        self._lost = 0
        self.saved = 0
        self.saved_in: Path | None = None
        """Where rows were written that the database would not take at the end."""
        self._trouble = ""
        self._retry_s = _FIRST_RETRY_S
        self._due: Deadline = host_deadline(0)
        self._look_again = host_deadline(_LOOK_S)
        self._unproven: list[Row] = []
        self._older = 0
        self.aside: Path | None = None
        """Where rows are written besides, once the database was found damaged."""

    @property
    def waiting(self) -> int:
        """How many rows are not committed yet."""
        return len(self._pending)

    def add(self, row: Row) -> None:
        """Take a row; a reading that finds no room is counted as lost.

        Other rows get some more room, so that the events tell the story.
        """
        is_reading = isinstance(row[2], Reading)
        if len(self._pending) >= (_MOST_ROWS if is_reading else 2 * _MOST_ROWS):
            self._lost += is_reading
            return
        self._pending.append(row)

    def left_s(self) -> float:
        """Real seconds until the next commit is due; long when nothing waits."""
        return self._due.left_s() if self._pending else 60.0

    def commit_if_due(self, *, now: bool = False) -> CommitOutcome:
        """Commit what waits, when it is time (`now`: whatever the time)."""
        if not self._pending or not (now or self._due.passed):
            return CommitOutcome()
        began_ns = HostClock().mono_ns()
        try:
            self.writer.commit(self._pending)
        except StoreRefusedError:
            return self._one_by_one()
        except StoreError as error:
            return self._failed(error)
        took_s = (HostClock().mono_ns() - began_ns) / 1e9
        self._due = host_deadline(min(_LATEST_S, max(_SPACING_S, took_s)))
        return self._done()

    def save_elsewhere(self) -> Path:
        """Write what the database would not take to a file and forget it here.

        Raises StoreError when nothing has room for it.
        """
        database = self.writer.path
        places = places_beside(database)
        self.saved_in = save_rows(self._pending, database, places, self.saved_in)
        self.saved += len(self._pending)
        self._pending.clear()
        return self.saved_in

    def found_whole(self) -> None:
        """Believe that what was committed before the last look is there for good.

        A look takes a while: what is committed meanwhile waits for the next one.
        """
        del self._unproven[: self._older]
        self._older = len(self._unproven)

    def found_damaged(self) -> Path:
        """Write what may be lost beside the database, and from now on all that comes.

        Brought back, each row is there once. Raises StoreError when nothing has room.
        """
        rows, self._unproven, self._older = self._unproven, [], 0
        self.aside = self._saved(rows)
        return self.aside

    def _saved(self, rows: list[Row]) -> Path:
        database = self.writer.path
        return save_rows(rows, database, places_beside(database), self.aside)

    def _prove(self, rows: Sequence[Row]) -> None:
        """Keep committed rows until the database was looked at, or write them aside."""
        if self.aside is not None:
            with suppress(StoreError):  # they are in the database, too
                self._saved(list(rows))
            return
        self._unproven += rows
        beyond = len(self._unproven) - _MOST_ROWS
        if beyond > 0:
            del self._unproven[:beyond]
            self._older = max(0, self._older - beyond)

    def replaced(self) -> bool:
        """Whether the database file was removed or replaced; looks every 2 s."""
        if not self._look_again.passed:
            return False
        self._look_again = host_deadline(_LOOK_S)
        return not self.writer.still_there()

    def _one_by_one(self) -> CommitOutcome:
        """Commit rows alone, so that one that can never be stored stops no other."""
        done: list[Row] = []
        refused: list[tuple[Row, str]] = []
        rows, self._pending = self._pending, []
        for row in rows:
            try:
                self.writer.commit([row])
            except StoreRefusedError as error:
                refused.append((row, str(error)))
            except StoreError:
                self._pending.append(row)  # trouble of another kind: next time
            else:
                done.append(row)
        self._prove(done)
        return CommitOutcome(rows=tuple(done), refused=tuple(refused))

    def _done(self) -> CommitOutcome:
        rows, self._pending = tuple(self._pending), []
        self._prove(rows)
        recovered, lost = bool(self._trouble), self._lost
        self._trouble, self._lost, self._retry_s = "", 0, _FIRST_RETRY_S
        return CommitOutcome(rows=rows, recovered=recovered, lost=lost)

    def _failed(self, error: StoreError) -> CommitOutcome:
        self._due = host_deadline(self._retry_s)
        self._retry_s = min(self._retry_s * 2, _LAST_RETRY_S)
        said, self._trouble = self._trouble, str(error)
        return CommitOutcome(trouble="" if said else self._trouble)


# --- the runs a keeper has open, and the one way to write an event into them


@dataclass(slots=True)
class OpenRuns:
    """Open runs by id, and `ids` of all that were begun here, in order."""

    queue: CommitQueue
    tell_event: Callable[[int, Event], None]
    by_id: dict[int, LiveRun] = field(default_factory=dict)
    ids: list[int] = field(default_factory=list)

    def all(self) -> list[LiveRun]:
        """Return the open runs; safe to end some while going through them."""
        return list(self.by_id.values())

    def using(self, name: str) -> list[LiveRun]:
        """Return the open runs whose position uses an instrument."""
        return [run for run in self.by_id.values() if name in run.instruments]

    def note(
        self, run: LiveRun, kind: str, text: str, instrument: str = "", raw: bytes = b""
    ) -> None:
        """Write an event into a run."""
        self.add_event(run, run.event(kind, text, instrument=instrument, raw=raw))

    def add_event(self, run: LiveRun, event: Event) -> None:
        """Write an event that was made elsewhere into a run."""
        self.queue.add((run.run_id, run.segment_id, event))
        self.tell_event(run.run_id, event)
