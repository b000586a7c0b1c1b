"""Rows that were committed, until a look at the database has found them there for good.

Where it was overwritten they go into a file, and so do all that come afterwards.
Brought back by `import`, each row is in its run once.
"""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final

from benchlog.recorder.run.blocks.block_columns import Queued, one_by_one, size_of
from benchlog.store.unsaved_rows import places_beside, save_rows
from benchlog.store.writer import Writer

_MOST_ROWS: Final = 200_000  # our rule: bounds memory; minutes of a fast counter


class UnprovenRows:
    """What one keeper committed since the database was last found whole."""

    def __init__(self, writer: Writer, whose: Mapping[int, tuple[str, int]]) -> None:
        self._writer, self._whose = writer, whose
        self._rows: list[Queued] = []
        self._older = self._size = 0
        self._is_damaged = False
        self.file: Path | None = None
        """Where the rows are, besides the database, once that was damaged."""

    def add(self, rows: Sequence[Queued]) -> None:
        """Keep rows that were committed."""
        self._rows += rows
        self._size += sum(map(size_of, rows))
        if self._is_damaged:
            self._write()
        beyond = 0
        while self._size > _MOST_ROWS:
            self._size -= size_of(self._rows[beyond])
            beyond += 1
        if beyond > 0:
            del self._rows[:beyond]
            self._older = max(0, self._older - beyond)

    def found_whole(self) -> None:
        """Forget what was committed before the last look began.

        A look takes a while: what is committed meanwhile waits for the next one.
        """
        del self._rows[: self._older]
        self._size = sum(map(size_of, self._rows))
        self._older = len(self._rows)

    def found_damaged(self) -> Path | None:
        """Write all of them into a file; None when nothing has room for it yet."""
        self._is_damaged = True
        self._write()
        return self.file

    def _write(self) -> None:
        database = self._writer.path
        rows = list(one_by_one(self._rows))
        places = places_beside(database)
        file = save_rows(rows, database, places, self.file, self._whose)
        if file is not None:
            self.file, self._rows = file, []
            self._older = self._size = 0
