"""Which database a command means, and reading from it."""

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from benchlog.errors import NotFoundError

if TYPE_CHECKING:
    from benchlog.model import Run
    from benchlog.store.reader import Reader


def database(db: Path | None) -> Path:
    """Return the path given by `--db`, else the default one."""
    from benchlog.store.paths import default_database

    return db if db is not None else default_database()


@contextlib.contextmanager
def reading(db: Path | None) -> "Iterator[Reader]":
    """Open the database read-only for the length of a `with` block.

    Raises StoreError when it is missing or not ours.
    """
    from benchlog.store.reader import Reader

    reader = Reader.open(database(db))
    try:
        yield reader
    finally:
        reader.close()


def chosen_run(reader: "Reader", number: int | None) -> "Run":
    """Return the run of this number, or the latest one when there is no number.

    Raises NotFoundError when there is no such run.
    """
    if number is not None:
        return reader.run(number)
    latest = reader.latest_run()
    if latest is None:
        raise NotFoundError("run", "latest", (), "the database holds no run yet")
    return latest
