"""An import gets a database of its own, and comes over in one transaction, or not.

Rows cannot be taken back once they are stored, and a keeper must not wait while a long
file is read. So the file is read into a database beside the one that is meant, which is
removed again whatever happens; one of a process that was killed goes with the next
import.
"""

import os
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import Final

from benchlog.errors import StoreError
from benchlog.store import files, identity, sqlite
from benchlog.store.opening import NEWEST
from benchlog.store.schema.newest import newest_schema
from benchlog.store.sqlite import APPLICATION_ID, SqliteError
from benchlog.store.staged_blocks import STAGED

_ENDING: Final = "import"
_LEFT_OUT: Final = "idx_readings_run_id"
"""An index of readings by run: of one run alone it costs a third of the time of writing
them, and finds nothing faster."""


@contextmanager
def staging_beside(database: Path) -> Iterator[Path]:
    """Give the path of an empty database beside `database`, and remove it at the end.

    Raises StoreError when it cannot be made.
    """
    _remove_left(database)
    path = database.with_name(f".{database.name}.{os.getpid()}.{_ENDING}")
    try:
        _make(path)
        yield path
    finally:
        _remove(path)


def _make(path: Path) -> None:
    """Make an empty database of our tables alone, without views: nobody asks it.

    What else the one that is meant may have (an index of texts, say) has no part in it.
    """
    _remove(path)
    try:
        descriptor = os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600)
        os.close(descriptor)
        with closing(sqlite.connect_to_write(path)) as connection:
            connection.execute("pragma synchronous=off")
            connection.execute("begin")
            for kind, name, _, sql in newest_schema().rows:
                if sql is not None and kind != "view" and name != _LEFT_OUT:
                    connection.execute(sql)
            connection.execute(STAGED)
            connection.execute(f"pragma application_id={APPLICATION_ID}")
            connection.execute(f"pragma user_version={NEWEST}")
            uid, place = identity.new_uid(), identity.place_of(path)
            identity.name_database(connection, uid, place, identity.MADE)
            connection.execute("commit")
    except SqliteError as error:
        raise sqlite.store_error(error, path) from error
    except OSError as error:
        raise StoreError(f"{path} cannot be made: {error.strerror}") from error


def _remove_left(database: Path) -> None:
    """Remove what an import left that was killed; one that goes on keeps its own."""
    for path in database.parent.glob(f".{_escaped(database.name)}.*.{_ENDING}"):
        number = path.name.split(".")[-2]
        if number.isdecimal() and not _lives(int(number)):
            _remove(path)


def _escaped(name: str) -> str:
    return "".join(f"[{one}]" if one in "*?[" else one for one in name)


def _lives(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except (OSError, OverflowError):
        return True
    return True


def _remove(path: Path) -> None:
    lock = path.with_name(path.name + "-lock")
    journal = files.journal_of(path)
    for one in (path, files.wal_of(path), files.shm_of(path), journal, lock):
        with suppress(OSError):
            one.unlink(missing_ok=True)
