"""Columns of a database's tables, held against those that we gave them.

No step of the schema ever changed a column, so an old file has what a new one has, or
less. A column of another type turns what is put into it (REAL keeps 53 bits of a time),
one that may not be empty refuses rows, and a default of somebody's becomes the value.
"""

from contextlib import closing
from functools import cache
from typing import Final

from benchlog.store.schema.newest import newest_schema
from benchlog.store.sqlite import Connection, SqliteError
from benchlog.units import printable

_MOST_SHOWN: Final = 60  # our rule: a name in a sentence
Declared = tuple[str, int, str | None, int]
"""Type, whether it must not be empty, default and place in the key."""
Reference = tuple[str, str, str]
"""The column, the table that it refers to, and the column there."""


def why_columns_differ(connection: Connection, table: str) -> str:
    """Return what is odd about the columns of a table of our name; empty if nothing.

    A column of a person's own must take a row that says nothing of it.
    """
    ours = _our_columns().get(table.lower(), {})
    found = _columns(connection, table)
    for name, declared in found.items():
        shown = f"the column {printable(name[:_MOST_SHOWN])} of {table}"
        if name in ours and declared != ours[name]:
            return f"{shown} is of another kind than ours"
        if name not in ours and not _may_be_left_out(declared):
            return f"{shown} refuses our rows"
    for one in _references(connection, table) - _our_references()[table.lower()]:
        default = found[one[0]][2]
        if one[0] in ours or default is not None:
            return f"the table {table} refers to what ours does not"
    return ""


def _columns(connection: Connection, table: str) -> dict[str, Declared]:
    found = connection.execute(f"pragma table_info({table})").fetchall()
    return {
        str(name).lower(): (str(kind).upper(), must, default, key)
        for _, name, kind, must, default, key in found
    }


def _references(connection: Connection, table: str) -> set[Reference]:
    found = connection.execute(f"pragma foreign_key_list({table})").fetchall()
    return {
        (str(column).lower(), str(to).lower(), str(there or "id").lower())
        for _, _, to, column, there, *_ in found
    }


def _may_be_left_out(declared: Declared) -> bool:
    """Whether a table with such a column takes a row without it; it is tried."""
    kind, must, default, key = declared
    rule = f"{'not null' if must else ''} default {default or 'null'}"
    with closing(Connection(":memory:")) as trial:
        try:
            trial.execute(f"create table trial (it {kind} {rule}) strict")
            trial.execute("insert into trial default values")
        except SqliteError:
            return False
    return not key


@cache
def _our_columns() -> dict[str, dict[str, Declared]]:
    with closing(_newest()) as ours:
        return {one: _columns(ours, one) for one in _our_tables()}


@cache
def _our_references() -> dict[str, set[Reference]]:
    with closing(_newest()) as ours:
        return {one: _references(ours, one) for one in _our_tables()}


def _our_tables() -> list[str]:
    return [name for kind, name, *_ in newest_schema().rows if kind == "table"]


def _newest() -> Connection:
    connection = Connection(":memory:")
    newest_schema().make(connection)
    return connection
