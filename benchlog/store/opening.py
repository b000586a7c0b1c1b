"""Opening a database to read: what it must be, and that nothing is ever written."""

import os
from pathlib import Path

from benchlog.errors import StoreError, StoreOlderError
from benchlog.store import files, sqlite
from benchlog.store.migrate import NEWEST, schema_of
from benchlog.store.sqlite import Connection, SqliteError


def opened(path: Path) -> Connection:
    """Return a further read-only connection to a database that was opened before."""
    return sqlite.connect_to_read(path, immutable=is_frozen(path))


def connect(path: Path) -> Connection:
    """Return a read-only connection.

    Raises StoreOlderError for the schema of an older version, StoreError when the file
    is missing, not ours or of a newer one.
    """
    _refuse_missing(path)
    try:
        connection = opened(path)
    except SqliteError as error:
        raise sqlite.store_error(error, path) from error
    try:
        _check(connection, path)
    except SqliteError as error:
        connection.close()
        raise sqlite.store_error(error, path) from error
    except BaseException:
        connection.close()
        raise
    return connection


def _check(connection: Connection, path: Path) -> None:
    version = schema_of(connection, path)
    if version == 0:
        raise StoreError(f"{path} is empty: no run was ever begun in it")
    if version < NEWEST:
        raise StoreOlderError(
            f"{path} has the older schema {version}; any command that writes, such as "
            "`benchlog import`, brings it up to date (keep a copy)"
        )


def is_frozen(path: Path) -> bool:
    """Whether nobody can write the file now, so that it may be read without its log."""
    # On read-only media the log cannot be shared, and nobody can be writing.
    writable = os.access(path, os.W_OK) or os.access(path.parent, os.W_OK)
    return not writable and not files.wal_of(path).exists()


def _refuse_missing(path: Path) -> None:
    if not path.exists():
        raise StoreError(
            f"there is no database {path} yet; `benchlog measure` or `benchlog "
            "demo` makes it, --db names another"
        )
    if path.is_dir():
        raise StoreError(f"{path} is a folder; name a file with --db")
