"""Opening a database: to its present schema to write, and never changing it to read."""

import os
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Final

from benchlog.clock import host_deadline, host_sleep
from benchlog.errors import (
    StoreError,
    StoreFullError,
    StoreLockedError,
    StoreOlderError,
)
from benchlog.store import files, identity, sqlite
from benchlog.store.files import Guard, NoGuard
from benchlog.store.integrity.foreign_schema import refuse_foreign
from benchlog.store.integrity.shared_pages import BRIEF, refuse_shared
from benchlog.store.schema.newest import newest_schema
from benchlog.store.second_names import has_second_name
from benchlog.store.sqlite import APPLICATION_ID, Connection, SqliteError

if TYPE_CHECKING:
    from sqlite_utils import Database

    Step = Callable[[Database], None]

_OPEN_WAIT_S: Final = 5.0
_OPEN_RETRY_S: Final = 0.02
NEWEST: Final = 12
"""The schema this version reads and writes: the number of steps in `schema.steps`."""


def schema_of(connection: Connection, path: Path, newest: int = NEWEST) -> int:
    """Return how many schema steps the file has had; 0 for a new, empty file.

    Raises StoreError when it is somebody else's database or from a newer version.
    """
    # in one state: another process may be making the schema just now
    with sqlite.one_state(connection):
        owner = connection.execute("pragma application_id").fetchone()[0]
        version = int(connection.execute("pragma user_version").fetchone()[0])
        tables = connection.execute("select count(*) from sqlite_master").fetchone()[0]
    if owner != APPLICATION_ID and (owner or version or tables):
        raise StoreError(
            f"{path} is a database of another program; name another with --db"
        )
    if version > newest:
        raise StoreError(
            f"{path} has schema {version}, this benchlog knows schemas up to {newest}: "
            "it was written by a newer version; update benchlog or name another --db"
        )
    return version


def migrate(connection: Connection, path: Path) -> None:
    """Run the steps that the file has not had, all in one transaction.

    Two processes may try at once: the second finds nothing left to do.
    """
    done = schema_of(connection, path)
    if done == NEWEST or (done == 0 and _made_newest(connection, path)):
        return
    # 0.1 s for sqlite-utils, which only an old file has to cost
    from benchlog.store.schema.steps import STEPS  # noqa: PLC0415

    run_steps(connection, path, STEPS)


def _made_newest(connection: Connection, path: Path) -> bool:
    """Make the newest schema in an empty file; whether it has that now."""
    kept = newest_schema()
    if kept.number != NEWEST:
        return False
    with sqlite.all_or_nothing(connection):
        if schema_of(connection, path) == 0:  # still, now that others are kept out
            kept.make(connection)
            identity.name_database(connection, identity.new_uid(), "", identity.MADE)
            _note_steps(connection, NEWEST)
    return schema_of(connection, path) == NEWEST


def run_steps(connection: Connection, path: Path, steps: "Sequence[Step]") -> None:
    """Run those of `steps` that the file has not had; all of them or none.

    A row that holds what cannot be keeps no step from being made.
    """
    from benchlog.store.schema.loosened import despite_odd_rows  # noqa: PLC0415 - old files

    despite_odd_rows(connection, lambda: _run_missing(connection, path, steps))


def _run_missing(connection: Connection, path: Path, steps: "Sequence[Step]") -> None:
    from sqlite_utils import Database  # noqa: PLC0415

    done = schema_of(connection, path, len(steps))
    db = Database(connection, execute_plugins=False)
    for step in steps[done:]:
        step(db)
    _note_steps(connection, max(done, len(steps)))


def _note_steps(connection: Connection, count: int) -> None:
    connection.execute(f"pragma application_id={APPLICATION_ID}")
    connection.execute(f"pragma user_version={count}")


# --- opening a database to write: waited for, checked, brought up to date


def open_to_write(path: Path, guard: Guard, original: Path | None = None) -> Connection:
    """Return a read-write connection to a file of the newest schema, made when missing.

    `original` is the file that it stands for, where it is only a copy to be read. A
    busy database is waited for, 5 s. Raises StoreError and StoreLockedError.
    """
    deadline = host_deadline(_OPEN_WAIT_S)
    while True:
        try:
            return _open_once(path, guard, original or path)
        except StoreLockedError:
            if deadline.passed:
                raise
            host_sleep(_OPEN_RETRY_S)


def _open_once(path: Path, guard: Guard, original: Path) -> Connection:
    connection: Connection | None = None
    try:
        with guard.held():
            connection = sqlite.connect_to_write(path)
            # before anything of a stranger's is changed
            version = schema_of(connection, path)
            refuse_foreign(connection, path, newest=version == NEWEST)
            sqlite.prepare_writer(connection, automatic=isinstance(guard, NoGuard))
            migrate(connection, path)
            identity.claim(connection, original)
    except BaseException as error:
        if connection is not None:
            with suppress(SqliteError):
                connection.close()
        if isinstance(error, SqliteError):
            raise sqlite.store_error(error, path) from error
        raise
    return connection


# --- opening a database to read: what it must be, and that nothing is ever written


def opened(path: Path) -> Connection:
    """Return a further read-only connection to a database that was opened before.

    Where there is no room for the index of a log, a database without a log is read
    without one (`connect_to_settled`).
    """
    connection = sqlite.connect_to_read(path, immutable=is_frozen(path))
    try:
        connection.execute("select 1 from sqlite_master limit 1").fetchone()
    except SqliteError as error:
        if not isinstance(sqlite.store_error(error, path), StoreFullError):
            return connection  # whoever asks next is told, and has more to say
        connection.close()
        return sqlite.connect_to_settled(path)
    return connection


def open_to_read(path: Path) -> Connection:
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
    refuse_foreign(connection, path, newest=True)
    if identity.elsewhere_until(connection, path):
        refuse_shared(connection, path, BRIEF)


def fold_log(path: Path) -> None:
    """Empty the log of a database of ours into it, if nobody else has it open.

    SQLite does it when the last connection that may write is closed; a program that
    was killed, or ended while somebody looked on, left that undone. Where it cannot be
    done (read-only media, a database in use) everything stays as it is. So it does
    where the file has a second name: two copies made by hard links, as of two nights,
    would have each other's log in them.
    """
    if not files.size_of(files.wal_of(path)) or not os.access(path, os.W_OK):
        return
    if has_second_name(path):
        return
    with suppress(SqliteError, StoreError):
        connection = sqlite.connect_to_write(path)
        try:
            schema_of(connection, path)  # a connection that never read has no log
        finally:
            connection.close()


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
    files.refuse_special(path)
