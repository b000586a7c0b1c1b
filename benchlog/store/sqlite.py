"""The one place that chooses the SQLite library, opens files, and names its errors.

Two SQLite libraries in one process must never have the same file open (closing one's
file drops the other's locks), so everything of ours goes through `connect_*` here.
sqlite-utils makes the same choice: pysqlite3 where it is installed.
"""

import importlib
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Final
from urllib.parse import quote

from benchlog.clock import host_deadline
from benchlog.errors import (
    StoreDamagedError,
    StoreError,
    StoreFullError,
    StoreLockedError,
    StoreRefusedError,
)
from benchlog.store.files import has_no_room, refuse_super_journal

if TYPE_CHECKING:
    import sqlite3
else:
    try:
        sqlite3 = importlib.import_module("pysqlite3")
    except ImportError:
        import sqlite3

Connection = sqlite3.Connection
SqliteError = sqlite3.Error
VERSION: Final = sqlite3.sqlite_version

BUSY_TIMEOUT_S: Final = 0.2
"""A keeper's loop may not stall longer; whoever must wait tries again."""
APPLICATION_ID: Final = 0x62636C67  # "bclg": says in the header whose file it is


def is_fixed(version: str) -> bool:
    """Whether this SQLite is free of the bug that can corrupt a WAL file.

    Fixed in 3.51.3 and in the backports 3.44.6 and 3.50.7 (SQLite's page on WAL).
    """
    numbers = tuple(int(part) for part in version.split(".")[:3])
    backports = numbers[:2] in ((3, 44), (3, 50))
    fixed_in = {(3, 44): 6, (3, 50): 7}
    if backports:
        return numbers[2] >= fixed_in[(numbers[0], numbers[1])]
    return numbers >= (3, 51, 3)


FIXED: Final = is_fixed(VERSION)


def connect_to_write(path: Path) -> Connection:
    """Open `path` for writing, creating the file; WAL, `synchronous=FULL`.

    The pragmas are left to `prepare_writer`, as they need the caller's file lock.
    Raises StoreError for a journal beside it that would have another file removed.
    """
    refuse_super_journal(path)
    return _connect(path, "rwc")


def prepare_writer(connection: Connection, *, automatic: bool) -> None:
    """Turn on WAL, full durability, foreign keys; `automatic` checkpoints or none.

    Raises StoreError when the file system cannot do it, and the library's own errors.
    """
    mode = connection.execute("pragma journal_mode=wal").fetchone()[0]
    if mode != "wal":
        raise StoreError(
            f"the database stays in journal mode {mode!r}: its file system "
            "cannot share memory; put it on a local disk with --db"
        )
    connection.execute("pragma synchronous=full")
    connection.execute("pragma foreign_keys=on")
    connection.execute("pragma recursive_triggers=on")  # REPLACE meets the triggers
    if not automatic:
        connection.execute("pragma wal_autocheckpoint=0")


@contextmanager
def unchecked(connection: Connection) -> Iterator[None]:
    """Have SQLite not look at the bounds of rows that were looked at just before.

    Row by row that takes a fifth of writing them.
    """
    connection.execute("pragma ignore_check_constraints=on")
    try:
        yield
    finally:
        connection.execute("pragma ignore_check_constraints=off")


def connect_to_read(path: Path, *, immutable: bool = False) -> Connection:
    """Open `path` read-only; it must exist. `immutable`: nobody can write it."""
    connection = _connect(path, "ro&immutable=1" if immutable else "ro")
    connection.execute("pragma query_only=on")
    return connection


class SettledConnection(sqlite3.Connection):
    """Reads a file that has no log and that nobody writes; ends when somebody does.

    SQLite takes neither lock nor index then, so what is read while another program
    writes would be of two states of the file.
    """

    path: Path
    at_first: tuple[tuple[int, int], ...]

    def look(self) -> None:
        """Raise StoreLockedError where the file or its log is not as it was."""
        if _stamps(self.path) != self.at_first:
            raise StoreLockedError(
                f"another program has written {self.path} meanwhile, on a disk without "
                "room to tell; try again"
            )


def connect_to_settled(path: Path) -> Connection:
    """Open a database read-only that there is no room to share, where that is safe.

    It is where there is no log to play back. Raises StoreFullError where there is one.
    """
    at_first = _stamps(path)
    if any(size > 0 for size, _ in at_first[1:]):
        raise StoreFullError(
            f"{path} has a log, and there is no room on the disk for its index; free "
            "64 kB there, or copy the file with its `-wal` to another disk"
        )
    connection = _connect(path, "ro&immutable=1", SettledConnection)
    assert isinstance(connection, SettledConnection)  # it was asked for
    connection.path, connection.at_first = path, at_first
    connection.execute("pragma query_only=on")
    return connection


def refuse_unsettled(connection: Connection) -> None:
    """Raise StoreLockedError where what was read may be of two states of a file."""
    if isinstance(connection, SettledConnection):
        connection.look()


def _stamps(path: Path) -> tuple[tuple[int, int], ...]:
    """Return size and time of a database, its log and its journal; 0 where none is."""
    found = []
    for end in ("", "-wal", "-journal"):
        try:
            one = path.with_name(path.name + end).stat()
            found.append((one.st_size, one.st_mtime_ns))
        except OSError:
            found.append((0, 0))
    return tuple(found)


@contextmanager
def all_or_nothing(connection: Connection) -> Iterator[None]:
    """Hold a transaction: committed at the end, undone when anything is raised."""
    connection.execute("begin immediate")
    try:
        yield
        connection.execute("commit")
    except BaseException:
        if connection.in_transaction:
            connection.execute("rollback")
        raise


@contextmanager
def one_state(connection: Connection) -> Iterator[None]:
    """Read within one transaction: nobody's commit comes between two statements."""
    if connection.in_transaction:
        yield
        return
    connection.execute("begin")
    try:
        yield
    finally:
        if connection.in_transaction:
            connection.execute("rollback")


def copy_into(connection: Connection, path: Path) -> None:
    """Write all that a connection sees into a new file. Raises the library's errors.

    A file's name is octets, which need not be text in any encoding.
    """
    connection.execute("vacuum into cast(? as text)", (os.fsencode(path),))


QUERY_LIMIT_S: Final = 300.0
"""Our rule: ten times what the slowest query takes of a year of readings."""
COPY_LIMIT_S: Final = 86_400.0  # our rule: for a whole file, a slow disk has a day
_STEPS: Final = 1_000_000  # of SQLite's machine; about 10 ms between two looks


class QueryLimit:
    """Ends a query that goes on for too long: a stranger's file can make it endless."""

    def __init__(self, connection: Connection, limit_s: float = QUERY_LIMIT_S) -> None:
        self._limit_s = limit_s
        self._until = host_deadline(limit_s)
        connection.set_progress_handler(self._is_over, _STEPS)

    def begin(self, limit_s: float | None = None) -> None:
        """Give the next query all its time, or another time."""
        self._until = host_deadline(self._limit_s if limit_s is None else limit_s)

    def _is_over(self) -> bool:
        return self._until.passed


def _connect(path: Path, mode: str, kind: type[Connection] = Connection) -> Connection:
    uri = f"file:{quote(str(path.absolute()), errors='surrogateescape')}?mode={mode}"
    connection = sqlite3.connect(
        uri, uri=True, isolation_level=None, timeout=BUSY_TIMEOUT_S, factory=kind
    )
    connection.execute("pragma trusted_schema=off")  # views may call nothing unsafe
    return connection


_LOCKED: Final = ("SQLITE_BUSY", "SQLITE_LOCKED")
_DAMAGED: Final = ("SQLITE_CORRUPT", "SQLITE_NOTADB")
_ADVICE: Final = {
    "SQLITE_NOTADB": "is not a database; name another file with --db",
    "SQLITE_CORRUPT": "is damaged; copy it and the files beside it away first of all, "
    "then `benchlog check` tells what is left",
    "SQLITE_READONLY": "may not be written; check its rights and its folder's",
    "SQLITE_CANTOPEN": "cannot be opened; check that its folder exists and its rights",
    "SQLITE_PERM": "may not be opened; check its rights",
    "SQLITE_IOERR": "cannot be read or written: the disk reports an error",
    "SQLITE_INTERRUPT": "takes too long to answer; the query was ended",
    "SQLITE_TOOBIG": "cannot take a text of this length",
}


def escaped(octets: bytes) -> str:
    """Return a text that may be no UTF-8, as the factory of texts of a connection."""
    return octets.decode(errors="backslashreplace")


def out_of_order(table: str) -> StoreDamagedError:
    """Return what is wrong where a page of rows ends before the place it began at.

    Whoever goes on from there reads a damaged table round and round.
    """
    return StoreDamagedError(
        f"the database is damaged: rows of {table} are not in the order of their "
        "numbers; copy it and the files beside it away first of all, then `benchlog "
        "check` tells what is left"
    )


def store_error(error: SqliteError, path: Path) -> StoreError:
    """Return the StoreError that says in a person's words what `error` means."""
    name = str(getattr(error, "sqlite_errorname", "") or "")
    is_io = name.startswith("SQLITE_IOERR")
    if name.startswith("SQLITE_FULL") or (is_io and has_no_room(path)):
        return StoreFullError(
            f"no room to write {path} (disk full, quota or file size limit); "
            "free some space, what was committed is safe"
        )
    if name.startswith(_LOCKED):
        return StoreLockedError(f"another program is writing {path}; try again")
    if name.startswith("SQLITE_CONSTRAINT"):
        return StoreRefusedError(f"{path} refuses a row: {error}{_why(error)}")
    if not name and "binding" in str(error):
        return StoreRefusedError(f"{path} cannot hold such a value: {error}")
    for start, advice in _ADVICE.items():
        if name.startswith(start):
            kind = StoreDamagedError if start in _DAMAGED else StoreError
            return kind(f"{path} {advice} ({error})")
    return StoreError(f"{path}: {error} ({name or type(error).__name__})")


def _why(error: SqliteError) -> str:
    return " (no such run, segment or device)" if "FOREIGN KEY" in str(error) else ""
