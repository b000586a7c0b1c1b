"""A read-write connection with what is watched around a transaction."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final, Self

from benchlog.errors import StoreError
from benchlog.store import files, sqlite
from benchlog.store.files import FileLock, Guard, NoGuard
from benchlog.store.held_log import hold_log
from benchlog.store.opening import open_to_write
from benchlog.store.sqlite import Connection, SqliteError

_MERGE_LIMIT_S: Final = 3_600.0  # our rule: for one run; a year takes a minute
_CHECKPOINT_BYTES: Final = 4_194_304
_CHECKPOINT_COMMITS: Final = 16


class Session:
    """One open database: its connection, its guard, and whether it is still there."""

    def __init__(self, path: Path, connection: Connection, guard: Guard) -> None:
        self.path = path
        self.connection = connection
        self._guard = guard
        self._file = files.FileIdentity(path)
        self._log = files.FileIdentity(files.wal_of(path))
        self._index = files.FileIdentity(files.shm_of(path))
        self._commits = 0
        self._log_stays = self._closed = False
        self._passes = False
        self._limit: sqlite.QueryLimit | None = None

    @classmethod
    def open(cls, path: Path, *, guarded: bool, original: Path | None = None) -> Self:
        """Open, or make, and migrate. Raises StoreError and StoreLockedError.

        Where `path` is a link, the file is opened under the name that it leads to.
        `original` is the database that this file is only a copy of to be read.
        """
        path = files.followed(path)
        files.prepare_to_write(path)
        guard: Guard = FileLock(path, sqlite.BUSY_TIMEOUT_S) if guarded else NoGuard()
        try:
            return cls(path, open_to_write(path, guard, original), guard)
        except BaseException:
            guard.close()
            raise

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Hold a transaction: committed at the end, undone when anything is raised.

        A deleted database would swallow rows silently: it is looked for before each
        commit. Raises the StoreError that says what SQLite's error means.
        """
        if self._limit is not None:
            self._limit.begin(_MERGE_LIMIT_S)
        with self._guard.held():
            try:
                self.connection.execute("begin immediate")
                yield
                self._check_there()
                self.connection.execute("commit")
                self._tidy_log()
            except SqliteError as error:
                self._roll_back()
                raise sqlite.store_error(error, self.path) from error
            except BaseException:
                self._roll_back()
                raise

    @contextmanager
    def beside(self, attach: Callable[[Connection], None]) -> Iterator[None]:
        """Hold another database open as `other`. Raises StoreError."""
        try:
            attach(self.connection)
        except SqliteError as error:
            raise sqlite.store_error(error, self.path) from error
        self._limit = sqlite.QueryLimit(self.connection, _MERGE_LIMIT_S)
        try:
            yield
        finally:
            self._limit = None
            self.connection.set_progress_handler(None, 0)
            with suppress(SqliteError):
                self.connection.execute("detach other")

    def let_pass(self) -> None:
        """Spare what only matters to a file that stays: this one is soon removed.

        It need not survive a power cut, nobody copies it, and the database that its
        rows are meant for looks at what they refer to.
        """
        self._passes = True
        self.connection.execute("pragma synchronous=off")
        self.connection.execute("pragma foreign_keys=off")

    @contextmanager
    def referring_unseen(self) -> Iterator[None]:
        """Have SQLite look up no reference; to be begun before a transaction.

        Two look-ups take as long as all else of writing a reading. Who uses it has to
        look them up at the end of the transaction.
        """
        self.connection.execute("pragma foreign_keys=off")
        try:
            yield
        finally:
            with suppress(SqliteError):
                self.connection.execute("pragma foreign_keys=on")

    @contextmanager
    def looked_at(self, is_sound: Callable[[], bool]) -> Iterator[None]:
        """Have a table that soon passes not look again at what `is_sound` has seen."""
        if not self._passes or not is_sound():
            yield
            return
        with sqlite.unchecked(self.connection):
            yield

    @property
    def passes(self) -> bool:
        """Whether the file is soon removed, see `let_pass`."""
        return self._passes

    @property
    def guarded(self) -> bool:
        """Whether commits happen under a file lock beside the database."""
        return not isinstance(self._guard, NoGuard)

    def still_there(self) -> bool:
        """Whether the path still leads to the file and the log that were opened.

        Also to the index of that log: where it is gone, the next program makes another
        one, and two that write by an index each spoil the log.
        """
        several = (self._file, self._log, self._index)
        return all(one.still_there() for one in several)

    def leave_log(self) -> None:
        """Move the log into the database no more: it was overwritten.

        What is broken in it would be written over pages that are whole.
        """
        self._log_stays = True
        with suppress(SqliteError):
            self.connection.execute("pragma wal_autocheckpoint=0")

    def checkpoint(self) -> None:
        """Move the log into the database as far as readers let. Raises StoreError."""
        try:
            self._move_log("truncate")
        except SqliteError as error:
            raise sqlite.store_error(error, self.path) from error

    def close(self) -> None:
        """Let go. May be called twice.

        Somebody who looks on keeps SQLite from emptying the log on closing, and cannot
        do it later. So what is in the log goes into the database now, as far as
        readers let: a copy of the file alone is then a copy of the runs.
        SQLite's own checkpoint on closing needs no guard: it only happens when it can
        lock out every other connection. A log that was overwritten stays where it is.
        """
        if self._closed:
            return
        self._closed = True
        if not self._passes:
            with suppress(SqliteError, StoreError):  # what was committed is in the log
                self._move_log("passive")
        if self._log_stays:
            hold_log(self._file.handle)
        with suppress(SqliteError):
            self.connection.close()
        for held in (self._guard, self._file, self._log, self._index):
            held.close()

    def _move_log(self, how: str) -> None:
        """Move the log into the database. Raises StoreError where it is not whole."""
        from benchlog.store.integrity.log_check import look_at_log  # noqa: PLC0415 - with numpy, at the end only

        if not self._log_stays and not self._index.glance():
            self.leave_log()  # by an index that nobody else has
        if not self._log_stays and look_at_log(self.path):
            self.leave_log()
        if self._log_stays:
            raise StoreError(
                f"the log of {self.path} was overwritten and is not moved into it; "
                f"`benchlog check {self.path}` tells what is left"
            )
        with self._guard.held():
            self.connection.execute(f"pragma wal_checkpoint({how})").fetchall()

    def _check_there(self) -> None:
        if self._file.glance() and self._log.glance() and self._index.glance():
            return
        raise StoreError(
            f"{self.path} was deleted or replaced while it was in use; nothing is "
            "written to what is left of it"
        )

    def _roll_back(self) -> None:
        with suppress(SqliteError):
            if self.connection.in_transaction:  # a full disk has undone it already
                self.connection.execute("rollback")

    def _tidy_log(self) -> None:
        # Under a guard nothing is moved out of the log by itself.
        self._commits += 1
        if isinstance(self._guard, NoGuard) or self._commits % _CHECKPOINT_COMMITS:
            return
        if self._log_stays:
            return
        if files.size_of(files.wal_of(self.path)) > _CHECKPOINT_BYTES:
            with suppress(SqliteError):  # the commit stands; a later one tries again
                self.connection.execute("pragma wal_checkpoint(passive)").fetchall()
