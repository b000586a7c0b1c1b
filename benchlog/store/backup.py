"""A copy of a database that is in use: whole, compact, checked."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

from benchlog.errors import StoreError, UsageError
from benchlog.store import sqlite
from benchlog.store.migrate import NEWEST, schema_of
from benchlog.store.reader import Reader
from benchlog.store.session import Session
from benchlog.store.sqlite import SqliteError


def back_up(database: Path, to: Path, *, overwrite: bool = False) -> int:
    """Copy a database as it is at this moment, its log included; return its readings.

    Keepers go on meanwhile. The copy is checked before it appears under its name.
    Raises UsageError when the file exists or is the database, StoreError.
    """
    if to.exists() and (not overwrite or to.samefile(database)):
        raise UsageError(f"{to} exists; name another file or add --overwrite")
    written = to.with_name(f".{to.name}.{os.getpid()}.part")
    with Reader.open(database) as reader:
        try:
            reader.copy_into(written)
            readings = _checked(written)
            _settle(written)
            written.replace(to)
        except OSError as error:
            raise StoreError(f"{to} cannot be written: {error.strerror}") from error
        finally:
            written.unlink(missing_ok=True)
    return readings


@contextmanager
def at_newest_schema(path: Path) -> Iterator[Path]:
    """Give a database that this version can read: itself, or a copy brought up to date.

    Raises StoreError when it is missing, not ours or from a newer version.
    """
    if not path.is_file():
        raise StoreError(f"there is no database {path}")
    try:
        connection = sqlite.connect_to_read(path)
        try:
            is_newest = schema_of(connection, path) == NEWEST
            with TemporaryDirectory(prefix="benchlog-") as folder:
                copy = Path(folder) / "copy.db"
                if not is_newest:
                    connection.execute("pragma query_only=off")
                    connection.execute("vacuum into ?", (str(copy),))
                    Session.open(copy, guarded=False).close()
                yield path if is_newest else copy
        finally:
            connection.close()
    except SqliteError as error:
        raise sqlite.store_error(error, path) from error


def _checked(path: Path) -> int:
    """Return how many readings a copy holds. Raises StoreError when it is damaged."""
    try:
        connection = sqlite.connect_to_read(path, immutable=True)
        try:
            said = connection.execute("pragma quick_check(1)").fetchone()[0]
            if said != "ok":
                raise StoreError(f"the copy {path} is damaged ({said}); try again")
            return int(
                connection.execute("select count(*) from readings").fetchone()[0]
            )
        finally:
            connection.close()
    except SqliteError as error:
        raise sqlite.store_error(error, path) from error


def _settle(path: Path) -> None:
    with path.open("rb+") as stream:
        os.fsync(stream.fileno())
