"""Copies of a database: of one in use, of an older one, of one whose file is gone."""

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

from benchlog.errors import (
    BenchlogError,
    StoreError,
    StoreLockedError,
    StoreOlderError,
    UsageError,
)
from benchlog.store import files, identity, sqlite
from benchlog.store.integrity.foreign_schema import refuse_foreign
from benchlog.store.integrity.shared_pages import refuse_shared
from benchlog.store.opening import NEWEST, opened, schema_of
from benchlog.store.reader import Reader
from benchlog.store.schema.loosened import despite_odd_rows, is_of_a_row
from benchlog.store.session import Session
from benchlog.store.sqlite import SqliteError
from benchlog.store.whole_files import check_name, created, finished

_UNKEPT: Final = "update runs set control = '' where ended_utc_ns is null"
_OPEN: Final = "select id from runs where ended_utc_ns is null order by id"


@dataclass(frozen=True, slots=True)
class Copied:
    """How many readings a copy holds, and the runs that had not ended in it."""

    readings: int
    open_runs: tuple[int, ...]


def back_up(database: Path, to: Path, *, overwrite: bool = False) -> Copied:
    """Copy a database as it is at this moment, its log included; say what is in it.

    Keepers go on meanwhile. The copy is checked before it appears under its name. One
    of an older version stays of that version.
    It has a UUID of its own, runs keep theirs. Its owner alone may read it. Raises
    UsageError when the file exists, is the database or has a log that would be taken
    for the copy's, StoreError.
    """
    check_name(to)
    if to.exists() and database.exists() and to.samefile(database):
        raise UsageError(f"{to} is the database itself; name another file")
    try:
        with (
            _of_any_age(database) as reader,
            finished(to, overwrite=overwrite, owner_only=True) as written,
        ):
            _free_of_log(to)
            reader.copy_into(written)
            _let_go(written)
            copied = _checked(written)
            _free_of_log(to)  # somebody may have opened it meanwhile
            return copied
    except (StoreError, UsageError):
        raise
    except BenchlogError as error:
        raise StoreError(str(error)) from error


def _free_of_log(to: Path) -> None:
    """See to it that no log beside a new copy is one of the file that was there.

    SQLite tells a log by its name alone: what a killed program has left in it would be
    written over the pages of the copy. Raises UsageError, StoreError.
    """
    files.refuse_special(to)
    logs = files.wal_of(to), files.journal_of(to)
    if to.exists() and any(one.exists() for one in (*logs, files.shm_of(to))):
        _close_log(to)
    left = next((one for one in logs if files.size_of(one)), None)
    if left is not None:
        raise UsageError(
            f"{left} is a log that would be taken for that of {to}, and damage it; "
            "move it away, or name another file"
        )


def _close_log(path: Path) -> None:
    """Move a log into its database and remove it. Raises UsageError if one cannot."""
    try:
        connection = sqlite.connect_to_write(path)
        try:
            connection.execute("pragma journal_mode=delete").fetchone()
        finally:
            connection.close()
    except SqliteError as error:
        why = sqlite.store_error(error, path)
        if isinstance(why, StoreLockedError):
            raise UsageError(
                f"another program has {path} open; end it first, or name another file"
            ) from error
        raise UsageError(
            f"{path} and its log do not go together ({error}); move them away, with "
            "the files named -wal, -shm and -journal, or name another file"
        ) from error


@contextmanager
def at_newest_schema(path: Path) -> Iterator[Path]:
    """Give a database that this version can read: itself, or a copy brought up to date.

    Raises StoreError when it is missing, not ours or from a newer version.
    """
    if not path.exists():
        raise StoreError(f"there is no database {path}")
    files.refuse_special(path)
    try:
        connection = opened(path)
        limit = sqlite.QueryLimit(connection)
        try:
            is_newest = schema_of(connection, path) == NEWEST
            refuse_foreign(connection, path, newest=is_newest)
            refuse_shared(connection, path)
            with TemporaryDirectory(prefix="benchlog-") as folder:
                copy = Path(folder) / "copy.db"
                if not is_newest:
                    limit.begin(sqlite.COPY_LIMIT_S)
                    connection.execute("pragma query_only=off")
                    sqlite.copy_into(connection, copy)
                    Session.open(copy, guarded=False, original=path).close()
                yield path if is_newest else copy
        finally:
            connection.close()
    except SqliteError as error:
        raise sqlite.store_error(error, path) from error


def _of_any_age(database: Path) -> Reader:
    """Open a database only to copy it, whatever version of ours it is of."""
    with suppress(StoreOlderError):
        return Reader.open(database)
    connection = opened(database)
    try:
        refuse_foreign(connection, database, newest=False)
    except BaseException as error:
        connection.close()
        if isinstance(error, SqliteError):
            raise sqlite.store_error(error, database) from error
        raise
    return Reader(database, connection)


def _let_go(path: Path) -> None:
    """Make a copy a database of its own: nobody keeps its open runs, it has a UUID.

    One of an older version gets its UUID when it is brought up to date.
    """
    try:
        connection = sqlite.connect_to_write(path)
        try:
            despite_odd_rows(connection, lambda: connection.execute(_UNKEPT))
            if identity.has_uids(connection):
                here, uid = identity.place_of(path), identity.new_uid()
                how = identity.with_runs_of(connection, identity.BACKUP)
                identity.name_database(connection, uid, here, how)
        finally:
            connection.close()
    except SqliteError as error:
        raise sqlite.store_error(error, path) from error


def _checked(path: Path) -> Copied:
    """Return what a copy holds. Raises StoreError when it is damaged.

    A row that holds what cannot be was copied as it is: a backup has it, too.
    """
    try:
        connection = sqlite.connect_to_read(path, immutable=True)
        try:
            told = connection.execute("pragma quick_check").fetchall()
            said = next((one for (one,) in told if not is_of_a_row(one)), "ok")
            if said != "ok":
                raise StoreError(f"the copy {path} is damaged ({said}); try again")
            (count,) = connection.execute("select count(*) from readings").fetchone()
            still_open = connection.execute(_OPEN).fetchall()
            return Copied(int(count), tuple(int(run) for (run,) in still_open))
        finally:
            connection.close()
    except SqliteError as error:
        raise sqlite.store_error(error, path) from error


# --- bringing a database back whose file was taken away while it was open


def place_for(path: Path, utc_ns: int) -> Path:
    """Return `path` when nothing stands there, else a name beside it."""
    if not path.exists():
        return path
    return path.with_name(f"{path.stem}-rescued-{utc_ns // 10**9}{path.suffix}")


def rescued(session: Session, to: Path) -> Session:
    """Copy all that an open session still sees into a new file and open that; ids stay.

    Raises StoreError when the copy cannot be made; then the old session stays open.
    """
    try:
        to.parent.mkdir(parents=True, exist_ok=True)
        # A log that belongs to nothing would be taken for the new file's own.
        for leftover in (files.wal_of(to), files.shm_of(to)):
            leftover.unlink(missing_ok=True)
        os.close(created(to))
        sqlite.copy_into(session.connection, to)
    except SqliteError as error:
        raise sqlite.store_error(error, to) from error
    except OSError as error:
        raise StoreError(f"{to} cannot be written: {error.strerror}") from error
    fresh = Session.open(to, guarded=session.guarded)
    session.close()
    return fresh
