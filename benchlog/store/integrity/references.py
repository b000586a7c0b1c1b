"""References of rows that were brought in while SQLite looked up none of them."""

from collections.abc import Mapping
from typing import Final

from benchlog.errors import StoreRefusedError
from benchlog.store.integrity.shared_pages import BRIEF
from benchlog.store.sqlite import Connection

_REFERRING: Final = tuple(sorted(BRIEF - {"quarantine", "database_uids"}))
"""Not the tables of what was logged: whoever copies those writes run and segment
himself, and the segment of none is NULL, which they refuse or allow."""


def highest_rows(connection: Connection) -> Mapping[str, int]:
    """Return the number of the last row of each table that is looked at later."""
    told = [
        f"select '{table}', ifnull(max(rowid), 0) from {table}"  # noqa: S608 - our names
        for table in _REFERRING
    ]
    return dict(connection.execute(" union all ".join(told)).fetchall())


def refuse_dangling(connection: Connection, before: Mapping[str, int]) -> None:
    """Raise StoreRefusedError where a row behind `before` refers to one not there.

    Older rows are left: what is wrong with them, `check` tells.
    """
    for table, last in before.items():
        for _, row, parent, _ in connection.execute(
            f"pragma foreign_key_check({table})"
        ):
            if row > last:
                raise StoreRefusedError(
                    f"a row of {table} refers to no row of {parent}"
                )
