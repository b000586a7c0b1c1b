"""What a database of ours may have in its schema, and what makes it a stranger's.

SQLite runs what a schema says: a view in the place of a table computes for ever, a
generated column calls functions, a trigger writes what nobody asked for. So the tables
that are ours must be plain tables, a view of our name must have our text, and no
trigger but ours may be on a table of ours. Further tables and views of a person's own
are left alone: nothing of ours reads them.
"""

import re
from typing import Final

from benchlog.errors import StoreDamagedError, StoreError
from benchlog.store.schema.newest import SCHEMA, newest_schema
from benchlog.store.schema.uid_columns import TRIGGERS, VIEWS
from benchlog.store.sqlite import Connection
from benchlog.units import printable

TABLES: Final = frozenset(
    {
        *("parts", "lots", "devices", "instruments", "runs", "segments", "readings"),
        *("edges", "conditions", "events", "phases", "reference_checks", "verdicts"),
        *("amendments", "outline", "packed", "quarantine"),
        "database_uids",
    }
)
_PLAIN_TABLE: Final = r"(?is)\s*create\s+table\s.*\bstrict\s*"
_COMPUTED: Final = (
    r"(?i)\bgenerated\b|\bas\s*\(|\bcollate\b|\bselect\b|\bwithout\b|--|/\*"
)
"""What none of ours has; a comment could part the words that are looked for."""
_TYPES: Final = ("INTEGER", "REAL", "TEXT", "BLOB")
_ROW_NUMBERS: Final = ("rowid", "oid", "_rowid_")
"""What SQLite calls the number of a row; a column of this name would hide it."""
_OUR_TRIGGER: Final = (
    r"(?i)create trigger \w+ before (update|delete)( of [\w, ]+)? on (?P<on>\w+)\s+"
    r"begin select raise\(abort, '[^']*'\); end"
)
_BY_TEXT: Final = frozenset(" ".join(text.lower().split()) for text in TRIGGERS)
"""Triggers that do more than forbid: those of exactly this text."""
_MOST_SHOWN: Final = 60


def refuse_foreign(connection: Connection, path: object, *, newest: bool) -> None:
    """Raise StoreError for a schema that is not ours in what is named as ours.

    `newest`: the file has had all steps, so that its views are those of today.
    """
    try:
        found = connection.execute(SCHEMA).fetchall()
    except UnicodeDecodeError as error:  # SQLite's own message names what is no text
        raise StoreDamagedError(
            f"{path} is damaged: its schema holds what is no text; copy it away first "
            "of all"
        ) from error
    if newest_schema().is_of(found):
        return
    for kind, name, table, sql in found:
        told = (str(kind), str(name), str(table), str(sql))
        why = _why_foreign(connection, *told, newest=newest)
        if why:
            raise StoreError(
                f"{path} is not a database that benchlog made: {why}; nothing was read "
                "from it"
            )


def _why_foreign(
    connection: Connection, kind: str, name: str, table: str, sql: str, *, newest: bool
) -> str:
    shown = printable(name[:_MOST_SHOWN])
    if name.lower() in TABLES:
        if kind != "table":
            return f"{shown} is a {printable(kind)}, and should be a table"
        return _why_odd_table(connection, name, sql)
    if newest and name.lower() in VIEWS and not _is_our_view(kind, name, sql):
        return f"the view {shown} is not ours"
    if kind == "trigger" and table.lower() in TABLES:
        said = " ".join(sql.split())
        ours = re.fullmatch(_OUR_TRIGGER, said)
        if said.lower() in _BY_TEXT:
            return ""
        if ours is None or ours["on"].lower() != table.lower():
            return f"the trigger {shown} on the table {table} is not ours"
    return ""


def _why_odd_table(connection: Connection, table: str, sql: str) -> str:
    """Return what is odd about a table of our name, empty where nothing is.

    A statement is asked, since a table can be in the place of `pragma_table_xinfo`.
    """
    if not re.fullmatch(_PLAIN_TABLE, sql) or re.search(_COMPUTED, sql):
        return f"the table {printable(table)} is of another kind than ours"
    columns = connection.execute(f"pragma table_xinfo({table})").fetchall()
    for _, name, kind, _, _, key, hidden in columns:
        shown = f"the column {printable(str(name)[:_MOST_SHOWN])} of {table}"
        if hidden:
            return f"{shown} is worked out"
        if str(kind).upper() not in _TYPES or str(name).lower() in _ROW_NUMBERS:
            return f"{shown} is of another kind than ours"
        if str(name).lower() == "id" and key != 1:
            return f"{shown} is no key"
    return ""


def _is_our_view(kind: str, name: str, sql: str) -> bool:
    """Whether a view has the text of ours, whatever its white space is."""
    if kind != "view":
        return False
    said = re.sub(r"(?is)^\s*create\s+view\s+\S+\s+as\s+", "", sql)
    return said.split() == VIEWS[name.lower()].split()
