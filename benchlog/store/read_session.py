"""A read-only connection: how it is opened, asked, copied and closed."""

from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any, Self

from benchlog.errors import (
    NoFiguresError,
    StoreDamagedError,
    UnreadableRunError,
    UsageError,
)
from benchlog.store import files, sqlite
from benchlog.store.opening import open_to_read
from benchlog.store.sqlite import Connection, SqliteError


class ReadSession:
    """A read-only connection, usable while keepers write; for one thread.

    Every query is a short transaction of its own: a reader never holds up a writer,
    and sees what was committed before the query began. Raises StoreError.
    """

    def __init__(
        self,
        path: Path,
        connection: Connection,
        original: Path | None = None,
        limit: sqlite.QueryLimit | None = None,
    ) -> None:
        self.path, self.original = path, original or path
        self._connection = connection
        self._limit = limit or sqlite.QueryLimit(connection)
        self._opened = files.identity_of(path)
        self.left_out: dict[str, str] = {}
        """What could not be read so far, and why: `run 7`, `lot 3`, ..."""
        self.without_figures: set[str] = set()
        """Those of them whose rows are whole: no figure can be made of a number."""

    @classmethod
    def open(cls, path: Path, original: Path | None = None) -> Self:
        """Open an existing database, which may be a copy of an original.

        Raises StoreError when it is missing, not ours, of a newer or of an older
        version (a writer brings it up to date).
        """
        return cls(path, open_to_read(path), original)

    @classmethod
    def over(cls, other: "ReadSession") -> Self:
        """Return a reader of this kind over the connection of another one.

        What it cannot read is noted in the other one's `left_out`, too.
        """
        made = cls(other.path, other._connection, other.original, other._limit)
        made.left_out = other.left_out
        made.without_figures = other.without_figures
        return made

    def copy_into(self, path: Path) -> None:
        """Write all that is committed by now into a new file. Raises StoreError."""
        try:
            self._limit.begin(sqlite.COPY_LIMIT_S)
            self._connection.execute("pragma query_only=off")
            sqlite.copy_into(self._connection, path)
        except SqliteError as error:
            raise sqlite.store_error(error, path) from error
        finally:
            self._connection.execute("pragma query_only=on")

    def leave_out(self, error: UnreadableRunError) -> None:
        """Note a run that a list goes on without, and why."""
        self.left_out[f"run {error.run_id}"] = error.why
        if isinstance(error, NoFiguresError):
            self.without_figures.add(f"run {error.run_id}")

    def still_there(self) -> bool:
        """Whether the path still leads to the file that was opened."""
        return files.identity_of(self.path) == self._opened

    def close(self) -> None:
        """Let go of the database. May be called twice."""
        self._connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _all(self, sql: str, values: Any) -> list[tuple[Any, ...]]:
        with self._translated():
            return self._fetched(sql, values)[1]

    def _named(self, sql: str, values: Any) -> list[dict[str, Any]]:
        """Return rows by the names of their columns: for what is read few at a time."""
        with self._translated():
            names, rows = self._fetched(sql, values)
            return [dict(zip(names, row, strict=True)) for row in rows]

    def _fetched(self, sql: str, values: Any) -> tuple[list[str], list[Any]]:
        """Return the names of columns, and rows; a text that is no UTF-8 is escaped.

        One such text among a thousand rows would end the query.
        """
        try:
            return self._asked(sql, values)
        except SqliteError as error:
            if "decode" not in str(error):
                raise
        usual, self._connection.text_factory = (
            self._connection.text_factory,
            sqlite.escaped,
        )
        try:
            return self._asked(sql, values)
        finally:
            self._connection.text_factory = usual

    def _asked(self, sql: str, values: Any) -> tuple[list[str], list[Any]]:
        with closing(self._connection.cursor()) as cursor:  # a new try needs it closed
            found = cursor.execute(sql, values)
            names, rows = [column[0] for column in found.description], found.fetchall()
        sqlite.refuse_unsettled(self._connection)
        return names, rows

    def _one(self, sql: str, values: Any) -> Any:
        return self._all(sql, values)[0][0]

    @contextmanager
    def _translated(self) -> Iterator[None]:
        self._limit.begin()
        try:
            yield
        except SqliteError as error:
            raise sqlite.store_error(error, self.path) from error
        except UnicodeDecodeError as error:  # in SQLite's own words
            raise StoreDamagedError(
                f"{self.path} is damaged: it holds names that are no text"
            ) from error
        except UnicodeEncodeError as error:  # what was asked for, as a person typed it
            raise UsageError(
                f"{error.object!r} is no text, so nothing in {self.path} is called that"
            ) from error
        except MemoryError as error:
            raise StoreDamagedError(
                f"a row of {self.path} asks for more memory than there is: it is "
                "damaged, if the computer has some left; `benchlog check` tells"
            ) from error
