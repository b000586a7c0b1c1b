"""From accepted rows to committed rows: batched, kept through trouble, none lost."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

from benchlog.clock import Deadline, HostClock, host_deadline
from benchlog.errors import StoreError, StoreRefusedError
from benchlog.model import Event, Reading
from benchlog.recorder.run.blocks.block_columns import (
    Queued,
    one_by_one,
    size_of,
    store,
    stretches,
)
from benchlog.recorder.run.live_run import LiveRun
from benchlog.recorder.run.recurring import RecurringTrouble, Trouble
from benchlog.recorder.run.rows_aside import RowsAside
from benchlog.recorder.run.unproven_rows import UnprovenRows
from benchlog.store.reading_block import ReadingBlock
from benchlog.store.unsaved_rows import whose_runs
from benchlog.store.writer import Writer

# _SPACING_S, _LATEST_S: our rule: seen at once, and few commits.
_SPACING_S: Final = 0.05
_LATEST_S: Final = 0.25
# _FIRST_RETRY_S, _LAST_RETRY_S: our rule: doubled with each failure.
_FIRST_RETRY_S: Final = 0.5
_LAST_RETRY_S: Final = 5.0
_ASIDE_S: Final = 10.0  # our rule: a backup may hold the database that long
_TRIES: Final = 3  # our rule: what comes once may be an accident
_MOST_ROWS: Final = 200_000  # our rule: bounds memory; hours of readings
_COPY_AT_ONCE: Final = 100_000  # our rule: rows; a second, in which nothing is heard
MOST_WAITING: Final = 600_000
"""Readings in blocks that wait for the database, 30 MB; our rule: seconds of a fast
counter. Beyond it such counters are not read."""
_LOOK_S: Final = 2.0  # our rule: cheap, and soon enough


@dataclass(frozen=True, slots=True, kw_only=True)
class CommitOutcome:
    """What one attempt to commit led to.

    `rows` are now safe on disk; `refused` can never be stored, with why. `trouble` is
    said once when it begins; `recovered` once when it is over, with how many readings
    had found no room in memory. `aside` are files that have just been begun: they hold
    the waiting rows as well, in case nobody is there to commit them.
    """

    rows: tuple[Queued, ...] = ()
    refused: tuple[tuple[Queued, str], ...] = ()
    trouble: str = ""
    recovered: bool = False
    lost: int = 0
    aside: tuple[Path, ...] = ()
    fault: Exception | None = None
    """What nobody expected of the database; the rows are tried again."""

    def behind(self, done: Sequence[Queued]) -> "CommitOutcome":
        """Return it with rows before its own that were stored already."""
        return replace(self, rows=(*done, *self.rows))


class CommitQueue:
    """Rows on their way into the database."""

    def __init__(self, writer: Writer) -> None:
        self.writer = writer
        self._pending: list[Queued] = []
        self._waiting = 0
        self._lost = 0
        self.aside = RowsAside(writer)
        self._aside_due: Deadline = host_deadline(0)
        self._room_due: Deadline = host_deadline(0)
        self._trouble = ""
        self._puzzles = 0
        self._retry_s = _FIRST_RETRY_S
        self._due: Deadline = host_deadline(0)
        self._look_again = host_deadline(_LOOK_S)
        self.unproven = UnprovenRows(writer, self.aside.whose)
        self._asked: set[int] = set()

    @property
    def waiting(self) -> int:
        """How many rows are not committed yet."""
        return self._waiting

    @property
    def is_done(self) -> bool:
        """Whether nothing is to be committed, also of rows that are in files alone."""
        return not (self._pending or self.aside.due)

    def add(self, row: Queued) -> None:
        """Take a row; a reading that finds no room is counted as lost.

        Other rows get some more room, so that the events tell the story. Blocks are
        counted by their readings: who sends them is left unheard long before they find
        no room (`blocks/back_pressure.py`), as to write them aside takes long.
        """
        if row[0] not in self._asked:  # its first row: it has just begun, or goes on
            self._asked.add(row[0])
            self.aside.whose.update(whose_runs((row[0],), self.writer.path))
        size = size_of(row)
        if isinstance(row[2], ReadingBlock):
            full = self._waiting >= 2 * MOST_WAITING
        else:
            most = _MOST_ROWS if isinstance(row[2], Reading) else 2 * _MOST_ROWS
            full = len(self._pending) >= most
        if full and not self._moved_aside():
            self._lost += size if isinstance(row[2], Reading | ReadingBlock) else 0
            return
        self._pending.append(row)
        self._waiting += size

    def left_s(self) -> float:
        """Real seconds until the next commit is due; long when nothing waits."""
        return self._due.left_s() if self._pending else 60.0

    def commit_if_due(self, *, now: bool = False) -> CommitOutcome:
        """Commit what waits, when it is time (`now`: whatever the time)."""
        if self.is_done or not (now or self._due.passed):
            return CommitOutcome()
        began_ns = HostClock().mono_ns()
        done: list[Queued] = []
        try:
            if self.aside.due:  # first, as they are older
                return CommitOutcome(rows=self.aside.bring_back())
            for rows in stretches(self._pending):
                store(self.writer, rows)
                done += rows
        except StoreRefusedError:
            self._stored(done)
            return self._one_by_one().behind(done)
        except StoreError as error:
            self._stored(done)
            return self._failed(error).behind(done)
        except Exception as error:
            self._stored(done)
            return self._puzzled(error).behind(done)
        took_s = (HostClock().mono_ns() - began_ns) / 1e9
        self._due = host_deadline(min(_LATEST_S, max(_SPACING_S, took_s)))
        return self._done()

    def save_elsewhere(self) -> bool:
        """Write what the database would not take to a file and forget it here.

        False when no place has room for it; then it still waits.
        """
        if not self.aside.move(self._pending):
            return False
        self._keep([])
        return True

    def _moved_aside(self) -> bool:
        """Make room in memory; where there was none, not tried again for a while."""
        if not self._room_due.passed:
            return False
        moved = self.save_elsewhere()
        self._room_due = host_deadline(0 if moved else _LAST_RETRY_S)
        return moved

    def replaced(self) -> bool:
        """Whether the database file was removed or replaced; looks every 2 s."""
        if not self._look_again.passed:
            return False
        self._look_again = host_deadline(_LOOK_S)
        return not self.writer.still_there()

    def _one_by_one(self) -> CommitOutcome:
        """Commit rows alone, so that one that can never be stored stops no other.

        Where none at all goes in for a reason that nobody expected, the rows are not
        the cause: they wait.
        """
        copied = self._pending[: self.aside.copies]
        self.aside.copies = sum(map(size_of, copied))
        rows = list(one_by_one(self._pending))
        self._keep([*rows])
        done: list[Queued] = []
        refused: list[tuple[Queued, str]] = []
        puzzling: dict[int, str] = {}
        left: list[int] = []  # trouble of another kind: next time
        for number, row in enumerate(rows):
            try:
                self.writer.commit([row])
            except StoreRefusedError as error:
                refused.append((row, str(error)))
            except StoreError:
                left.append(number)
            except Exception as error:
                puzzling[number] = f"{type(error).__name__}: {error}"
            else:
                done.append(row)
        self.unproven.add(done)
        if done:
            refused += [(self._pending[at], why) for at, why in puzzling.items()]
        else:
            left = sorted([*left, *puzzling])
            self._due = host_deadline(_LAST_RETRY_S)
        self.aside.copies = sum(number < self.aside.copies for number in left)
        self._keep([self._pending[number] for number in left])
        return CommitOutcome(rows=tuple(done), refused=tuple(refused))

    def _puzzled(self, error: Exception) -> CommitOutcome:
        """Try again; when it stays so, each row alone: one may be the cause."""
        self._puzzles += 1
        if self._puzzles >= _TRIES:
            self._puzzles = 0
            return replace(self._one_by_one(), fault=error)
        self._due = host_deadline(_SPACING_S)
        return CommitOutcome(fault=error)

    def _done(self) -> CommitOutcome:
        self._puzzles = 0
        rows = tuple(self._pending)
        self._keep([])
        self.unproven.add(rows)
        recovered, lost = bool(self._trouble), self._lost
        self._trouble, self._lost, self._retry_s = "", 0, _FIRST_RETRY_S
        self.aside.forget()
        return CommitOutcome(rows=rows, recovered=recovered, lost=lost)

    def _keep(self, rows: list[Queued]) -> None:
        """Let these wait, and no others."""
        self._pending, self._waiting = rows, sum(map(size_of, rows))

    def _stored(self, done: Sequence[Queued]) -> None:
        """Forget the first rows: they are in the database, the others not yet."""
        if done:
            self.unproven.add(done)
            self.aside.copies = max(0, self.aside.copies - len(done))
            self._keep(self._pending[len(done) :])

    def _failed(self, error: StoreError) -> CommitOutcome:
        self._due = host_deadline(self._retry_s)
        self._retry_s = min(self._retry_s * 2, _LAST_RETRY_S)
        said, self._trouble = self._trouble, str(error)
        if not said:
            self._aside_due = host_deadline(_ASIDE_S)
            return CommitOutcome(trouble=self._trouble)
        before = len(self.aside.files)
        if self._aside_due.passed and not self.aside.copy(self._pending, _COPY_AT_ONCE):
            self._aside_due = host_deadline(_LAST_RETRY_S)
        return CommitOutcome(aside=tuple(self.aside.files[before:]))


# --- the runs a keeper has open, and the one way to write an event into them


@dataclass(slots=True)
class OpenRuns:
    """Open runs by id, and `ids` of all that were begun here, in order."""

    queue: CommitQueue
    tell_event: Callable[[int, Event], None]
    by_id: dict[int, LiveRun] = field(default_factory=dict)
    ids: list[int] = field(default_factory=list)
    _recurring: dict[int, RecurringTrouble] = field(default_factory=dict, init=False)

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

    def trouble(
        self, run: LiveRun, kind: str, text: str, instrument: str = "", raw: bytes = b""
    ) -> None:
        """Write into a run what may come each second: at once, then how often it came.

        See `recorder/run/recurring.py`.
        """
        self.recurs(run, Trouble(kind, text, instrument, raw))

    def recurs(self, run: LiveRun, one: Trouble) -> None:
        """Write trouble into a run as `trouble` does."""
        series = self._recurring.setdefault(run.run_id, RecurringTrouble())
        now_ns = HostClock().mono_ns()
        self._tell_trouble(run, series.of(one, run.clock.utc_ns(), now_ns))

    def tell_due(self, run: LiveRun, *, ended: bool = False) -> None:
        """Write how often trouble came where that is due, and what is over."""
        series = self._recurring.get(run.run_id)
        if series is not None:
            self._tell_trouble(run, series.due(HostClock().mono_ns(), ended=ended))
        if ended:
            self._recurring.pop(run.run_id, None)

    def _tell_trouble(self, run: LiveRun, several: Iterable[Trouble]) -> None:
        for one in several:
            self.note(run, one.kind, one.text, one.instrument, one.raw)

    def add_event(self, run: LiveRun, event: Event) -> None:
        """Write an event that was made elsewhere into a run."""
        self.queue.add((run.run_id, run.segment_id, event))
        self.tell_event(run.run_id, event)
