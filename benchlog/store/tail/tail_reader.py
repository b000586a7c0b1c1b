"""Reading on from where one was: for whoever passes on what a database holds."""

import hashlib
import json
from collections.abc import Iterable
from typing import Any, Final

from benchlog.store import identity
from benchlog.store.reader import Reader
from benchlog.store.tail.tail_queries import (
    ENDED,
    LOTS,
    NAMES,
    PARTS,
    RUNS,
    SEGMENT_NUMBERS,
    TAILS,
)

Row = tuple[Any, ...]
KINDS: Final = tuple(TAILS)


class TailReader(Reader):
    """A reader that gives rows of all runs in the order in which they were committed.

    Rows are as stored: also those of runs that cannot be read, or are in quarantine.
    """

    def rows_after(self, kind: str, after_id: int, limit: int) -> list[Row]:
        """Return rows of a kind behind an id: id, number of the run or None, columns.

        The columns are those of `TAILS`.
        """
        return self._all(TAILS[kind], (after_id, limit))

    def last_row(self, kind: str) -> int:
        """Return the id of the newest row of a kind, 0 where there is none."""
        return int(self._one(f"select max(id) from {kind}", ()) or 0)  # noqa: S608 - ours

    def row_digest(self, kind: str, row_id: int) -> str:
        """Return what tells this row from any other, empty where there is none.

        It holds the UUID of its run, so that two databases with the same numbers
        differ.
        """
        rows = self._all(TAILS[kind], (row_id - 1, 1))
        if not rows or rows[0][0] != row_id:
            return ""
        named = self.names([rows[0][1]]) if rows[0][1] is not None else {}
        told = repr((rows[0], sorted(named.values())))
        return hashlib.sha256(told.encode("utf-8", "replace")).hexdigest()[:32]

    def names(self, runs: Iterable[int]) -> dict[int, tuple[str, int]]:
        """Return by number the UUID of each run, and when it was begun (UTC, ns)."""
        rows = self._all(NAMES, (json.dumps(sorted(runs)),))
        return {number: (uid, started) for number, uid, started in rows}

    def run_rows(self, runs: Iterable[int]) -> list[Row]:
        """Return the rows of `RUNS` of the runs of these numbers."""
        return self._all(RUNS, (json.dumps(sorted(runs)),))

    def ended_of(self, runs: Iterable[int]) -> list[int]:
        """Return those of these runs that are over."""
        return [one for (one,) in self._all(ENDED, (json.dumps(sorted(runs)),))]

    def segment_numbers(self, runs: Iterable[int]) -> dict[int, int]:
        """Return by id of a segment which one of its run it is, counted from 1."""
        return dict(self._all(SEGMENT_NUMBERS, (json.dumps(sorted(runs)),)))

    def rows_before(self, kind: str, run: int, row_id: int) -> int:
        """Return how many rows of a kind a run has before an id."""
        sql = f"select count(*) from {kind} where run_id = ? and id < ?"  # noqa: S608 - ours
        return int(self._one(sql, (run, row_id)))

    def part_rows(self) -> list[Row]:
        """Return id, title, kind, nominal_hz and body of all parts."""
        return self._all(PARTS, ())

    def lot_rows(self) -> list[Row]:
        """Return part, lot, supplier, size, plan, decision and opening of all lots."""
        return self._all(LOTS, ())

    def data_version(self) -> int:
        """Return a number that is another one once somebody has committed something."""
        return int(self._one("pragma data_version", ()))

    def place(self) -> str:
        """Return what tells the file from a copy of it."""
        return identity.place_of(self.original)
