"""Tables without the types and rules of their columns, while a column is changed.

SQLite looks at each row of a table that is given a column, and at a whole row where one
column is changed. So one row that holds what cannot be would keep an old database from
ever being opened. The row stays as it is: it is named and left out afterwards.
"""

import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Final

from benchlog.store.sqlite import Connection, SqliteError, all_or_nothing

_TABLES: Final = """
select name, sql from sqlite_master where type = 'table' and sql like '%) strict'
"""
_SET: Final = "update sqlite_master set sql = ? where type = 'table' and name = ?"


_OF_A_ROW: Final = ("SQLITE_ERROR", "SQLITE_CONSTRAINT")
"""How SQLite's names begin for a row that does not fit its table."""

_VALUE: Final = re.compile(
    r"(NULL|non-\w+) value in \w+\.\w+|CHECK constraint failed in \w+"
)
"""What `pragma quick_check` tells of values (read in its answers)."""


def despite_odd_rows(connection: Connection, change: Callable[[], object]) -> None:
    """Do a change in one transaction, also where a row is in the way that cannot be.

    `change` may be called twice. Raises the library's errors.
    """
    try:
        with all_or_nothing(connection):
            change()
    except SqliteError as error:
        name = str(getattr(error, "sqlite_errorname", "") or "")
        if not name.startswith(_OF_A_ROW):
            raise
        with all_or_nothing(connection), _loosened(connection):
            change()


def is_of_a_row(finding: str) -> bool:
    """Whether a finding of SQLite's own check is of values, and of no page."""
    return _VALUE.fullmatch(finding) is not None


@contextmanager
def _loosened(connection: Connection) -> Iterator[None]:
    """Take the rules from the tables that are there, and give them back at the end.

    In the caller's transaction. A column that was added meanwhile stays. Raises the
    library's errors; the caller then rolls back.
    """
    kept = dict(connection.execute(_TABLES).fetchall())
    bare = {name: _bare(connection, name) for name in kept}
    try:
        _write(connection, bare)
        yield
        now = dict(connection.execute("select name, sql from sqlite_master").fetchall())
        _write(
            connection,
            {name: _with_added(kept[name], bare[name], now[name]) for name in kept},
        )
    finally:
        with suppress(SqliteError):
            connection.execute("pragma writable_schema=reset")


def _bare(connection: Connection, table: str) -> str:
    """Return a table of the same columns that takes any value as it is."""
    found = connection.execute(f'pragma table_info("{table}")').fetchall()
    is_numbered = any(
        name == "id" and kind.lower() == "integer" for _, name, kind, *_ in found
    )
    keys = [name for _, name, _, _, _, key in found if key]
    columns = [
        f'"{name}" integer primary key' if is_numbered and name == "id" else f'"{name}"'
        for _, name, *_ in found
    ]
    if not is_numbered and keys:  # its index of the key is there, and stays
        columns.append(f"primary key ({', '.join(keys)})")
    return f'create table "{table}" ({", ".join(columns)})'


def _with_added(kept: str, bare: str, now: str) -> str:
    """Return the text as it was, with the columns that were added to the bare one."""
    start = bare[:-1]
    at = now.find("(")
    added = now[at:].removeprefix(start[start.find("(") :]).removesuffix(")")
    body, end = kept.rsplit(")", maxsplit=1)
    return f"{body}{added}){end}"


def _write(connection: Connection, texts: dict[str, str]) -> None:
    connection.execute("pragma writable_schema=on")
    connection.executemany(_SET, [(sql, name) for name, sql in texts.items()])
    connection.execute("pragma writable_schema=reset")
