"""From accepted rows to committed rows: batching, waiting out trouble, losing nothing.

Up to ten readings a second each get a commit of their own; faster streams share one, at
most 0.25 s later. When the database cannot take rows they stay here, bounded, and are
tried again; what would not fit is counted, never silently dropped.
"""

import json
import os
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Final

from benchlog.clock import Deadline, HostClock, host_deadline
from benchlog.errors import StoreError, StoreRefusedError
from benchlog.model import Reading
from benchlog.store.rows import Row
from benchlog.store.writer import Writer

_SPACING_S: Final = 0.05
_LATEST_S: Final = 0.25
_FIRST_RETRY_S: Final = 0.5
_LAST_RETRY_S: Final = 5.0
_MOST_ROWS: Final = 200_000
_LOOK_S: Final = 2.0


@dataclass(frozen=True, slots=True)
class Outcome:
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


class Ledger:
    """Rows on their way into the database."""

    def __init__(self, writer: Writer) -> None:
        self.writer = writer
        self._pending: list[Row] = []
        self._lost = 0
        self._trouble = ""
        self._retry_s = _FIRST_RETRY_S
        self._due: Deadline = host_deadline(0)
        self._look_again = host_deadline(_LOOK_S)

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

    def commit_if_due(self, *, now: bool = False) -> Outcome:
        """Commit what waits, when it is time (`now`: whatever the time)."""
        if not self._pending or not (now or self._due.passed):
            return Outcome()
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

    def spill(self, folder: Path) -> Path:
        """Write what the database would not take to a file and forget it here."""
        path = folder / f"benchlog-unsaved-{os.getpid()}.jsonl"
        with path.open("a", encoding="utf-8") as out:
            for run_id, segment_id, record in self._pending:
                kind = type(record).__name__.lower()
                where = {"run": run_id, "segment": segment_id, "record": kind}
                print(json.dumps({**where, **asdict(record)}, default=repr), file=out)
        self._pending.clear()
        return path

    def replaced(self) -> bool:
        """Whether the database file was removed or replaced; looks every 2 s."""
        if not self._look_again.passed:
            return False
        self._look_again = host_deadline(_LOOK_S)
        return not self.writer.still_there()

    def _one_by_one(self) -> Outcome:
        """Commit rows alone, so that one that can never be stored stops no other."""
        refused: list[tuple[Row, str]] = []
        rows, self._pending = self._pending, []
        for row in rows:
            try:
                self.writer.commit([row])
            except StoreRefusedError as error:
                refused.append((row, str(error)))
            except StoreError:
                self._pending.append(row)  # trouble of another kind: next time
        done = [row for row in rows if row not in self._pending]
        kept = {id(row) for row, _ in refused}
        return Outcome(tuple(r for r in done if id(r) not in kept), tuple(refused))

    def _done(self) -> Outcome:
        rows, self._pending = tuple(self._pending), []
        recovered, lost = bool(self._trouble), self._lost
        self._trouble, self._lost, self._retry_s = "", 0, _FIRST_RETRY_S
        return Outcome(rows, recovered=recovered, lost=lost)

    def _failed(self, error: StoreError) -> Outcome:
        self._due = host_deadline(self._retry_s)
        self._retry_s = min(self._retry_s * 2, _LAST_RETRY_S)
        said, self._trouble = self._trouble, str(error)
        return Outcome(trouble="" if said else self._trouble)
