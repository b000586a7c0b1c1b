"""Rows that the database does not take now, in files beside it until it does."""

from collections.abc import Iterator, Sequence
from contextlib import suppress
from itertools import chain, islice
from pathlib import Path
from typing import Final

from benchlog.errors import StoreRefusedError
from benchlog.recorder.run.blocks.block_columns import Queued, one_by_one, size_of
from benchlog.store.rows import Row
from benchlog.store.unsaved_rows import places_beside, rows_of_file, save_rows
from benchlog.store.writer import Writer

_AT_ONCE: Final = 5_000  # our rule: a transaction of well under a second


class RowsAside:
    """What is in the files: rows that are only there, then copies of those that wait.

    `only` counts the former. They go into the database before anything else does, so
    that the order of a run's readings is that of their times.
    """

    def __init__(self, writer: Writer) -> None:
        self._writer = writer
        self.files: list[Path] = []
        self.copies = 0
        """How many of the waiting rows, the first ones, are in the files as well."""
        self._lines = self._moved = self._back = 0
        self._source: Iterator[Row] = iter(())
        self._batch: list[Row] = []
        self._by_hand = False
        self.whose: dict[int, tuple[str, int]] = {}
        """Device and start of each run, asked for while the database can be read."""

    @property
    def only(self) -> int:
        """How many rows are in the files and wait nowhere else."""
        return self._moved - self._back

    @property
    def due(self) -> bool:
        """Whether rows are to be brought back before others are committed."""
        return self.only > 0 and not self._by_hand

    def copy(self, waiting: Sequence[Queued], most: int | None = None) -> bool:
        """Write waiting rows into a file as well, each once; whether all are there.

        At most about so many at once: some hundred thousand take seconds.
        """
        fresh, until = waiting[self.copies :], len(waiting)
        if most is not None:
            fresh = list(_first(fresh, most))
            until = self.copies + len(fresh)
        if not fresh:
            return True
        lines = list(one_by_one(fresh))
        database = self._writer.path
        last = self.files[-1] if self.files else None
        places = places_beside(database)
        path = save_rows(lines, database, places, last, self.whose)
        if path is None:
            return False
        self.files += [path] if path != last else []
        self._lines += len(lines)
        self.copies = until
        return until == len(waiting)

    def move(self, waiting: Sequence[Queued]) -> bool:
        """Write waiting rows into a file, where they may be forgotten here."""
        moved = self.copy(waiting)
        if moved:
            if not self.only:
                self._source = chain.from_iterable(map(rows_of_file, self.files))
                self._source = islice(self._source, self._back, None)
            self._moved, self.copies = self._lines, 0
        return moved

    def bring_back(self) -> tuple[Row, ...]:
        """Commit some rows that are only in the files; return what is in by now.

        A row that can never be stored, or a file that is gone, leaves the rest to
        `import`. Raises StoreError; then it may be called again.
        """
        self._batch = self._batch or list(
            islice(self._source, min(_AT_ONCE, self.only))
        )
        try:
            fresh = self._writer.commit_missing(self._batch) if self._batch else ()
        except StoreRefusedError:
            self._by_hand = True
            return ()
        self._by_hand = not self._batch
        self._back += len(self._batch)
        self._batch = []
        return fresh

    def forget(self) -> None:
        """Remove the files, as all that is in them is in the database."""
        if not self.only:
            for path in self.files:
                with suppress(OSError):
                    path.unlink()
            self.files, self.copies = [], 0
            self._lines = self._moved = self._back = 0


def _first(rows: Sequence[Queued], most: int) -> Iterator[Queued]:
    """Yield rows until they are `most` rows of the database or more."""
    size = 0
    for row in rows:
        if size >= most:
            return
        size += size_of(row)
        yield row
