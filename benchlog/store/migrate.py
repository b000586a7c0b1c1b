"""Bringing a file to the present schema, or saying why it cannot be."""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

from benchlog.errors import StoreError
from benchlog.store.sqlite import APPLICATION_ID, Connection

if TYPE_CHECKING:
    from sqlite_utils import Database

    Step = Callable[[Database], None]

NEWEST: Final = 4
"""The schema this version reads and writes: the number of steps in `schema.STEPS`."""


def schema_of(connection: Connection, path: Path, newest: int = NEWEST) -> int:
    """Return how many schema steps the file has had; 0 for a new, empty file.

    Raises StoreError when it is somebody else's database or from a newer version.
    """
    owner = connection.execute("pragma application_id").fetchone()[0]
    version = int(connection.execute("pragma user_version").fetchone()[0])
    if owner != APPLICATION_ID:
        tables = connection.execute("select count(*) from sqlite_master").fetchone()[0]
        if owner or version or tables:
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
    if schema_of(connection, path) == NEWEST:
        return
    # 0.1 s for sqlite-utils, which only a new or an old file has to cost
    from benchlog.store.schema import STEPS  # noqa: PLC0415

    run_steps(connection, path, STEPS)


def run_steps(connection: Connection, path: Path, steps: "Sequence[Step]") -> None:
    """Run those of `steps` that the file has not had; all of them or none."""
    from sqlite_utils import Database  # noqa: PLC0415

    connection.execute("begin immediate")
    try:
        done = schema_of(connection, path, len(steps))
        db = Database(connection, execute_plugins=False)
        for step in steps[done:]:
            step(db)
        connection.execute(f"pragma application_id={APPLICATION_ID}")
        connection.execute(f"pragma user_version={max(done, len(steps))}")
        connection.execute("commit")
    except BaseException:
        if connection.in_transaction:
            connection.execute("rollback")
        raise
