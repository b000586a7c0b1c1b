"""What a database of ours may have in its schema, and what makes it a stranger's.

SQLite runs what a schema says: a view in the place of a table computes for ever, a
generated column calls functions, a trigger writes what nobody asked for. So the tables
that are ours must be plain tables, a view of our name must have our text, and no
trigger but ours may be on a table of ours. A conflict clause drops rows without a word,
or has one take the place of another; so a rule or an index that could refuse a row of
ours must be ours, too. A column of another type turns what is put into it, a time in
nanoseconds into one of 256 ns, so each of ours has the type and the rules that we gave
it. Further tables, views, columns and plain indices of a person's own are left alone:
nothing of ours reads them.
"""

import re
from collections.abc import Iterator
from functools import cache
from typing import Final

from benchlog.errors import StoreDamagedError, StoreError
from benchlog.store.integrity.foreign_columns import why_columns_differ
from benchlog.store.schema.newest import SCHEMA, newest_schema
from benchlog.store.schema.told_views import VIEWS
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
    r"|\bconflict\b|\bunique\b|\bautoincrement\b|\bdefault\s*\("
)
"""What none of ours has; a comment could part the words that are looked for."""
_CHECK: Final = r"(?i)\bcheck\b"
_REFERRED: Final = r"(?i)\breferences\s*(?P<quoted>\W?)(?P<table>\w*)"
_NAME: Final = r"(\w+|\"[^\"]+\"|\[[^\]]+\]|`[^`]+`)"
_COLUMN: Final = rf"{_NAME}( asc| desc)?"
_PLAIN_INDEX: Final = (
    rf"(?i)create index {_NAME} on {_NAME} ?\( ?{_COLUMN}( ?, ?{_COLUMN})* ?\)"
)
"""Names of columns alone, which calls nothing and refuses no row."""
_TYPES: Final = ("INTEGER", "REAL", "TEXT", "BLOB")
_ROW_NUMBERS: Final = ("rowid", "oid", "_rowid_")
"""What SQLite calls the number of a row; a column of this name would hide it."""
_MOST_SHOWN: Final = 60
_ENCODING: Final = "UTF-8"
_IN_ONE_PLACE: Final = """
select 1 from sqlite_master where rootpage > 0 group by rootpage having count(*) > 1
"""


def refuse_foreign(connection: Connection, path: object, *, newest: bool) -> None:
    """Raise StoreError for a schema that is not ours in what is named as ours.

    `newest`: the file has had all steps, so that its views are those of today.
    """
    (encoding,) = connection.execute("pragma encoding").fetchone()
    if encoding != _ENCODING:  # names of files would be read as such a text, too
        raise StoreError(
            f"{path} is not a database that benchlog made: its texts are {encoding}, "
            f"and should be {_ENCODING}; nothing was read from it"
        )
    try:
        found = connection.execute(SCHEMA).fetchall()
    except UnicodeDecodeError as error:  # SQLite's own message names what is no text
        raise StoreDamagedError(
            f"{path} is damaged: its schema holds what is no text; copy it away first "
            "of all"
        ) from error
    if connection.execute(_IN_ONE_PLACE).fetchone():
        raise StoreError(  # SQLite does not look: a reading was found twice
            f"{path} is not a database that benchlog made: two of its tables or "
            "indices begin at one page; nothing was read from it"
        )
    ours = newest_schema()
    if ours.is_of(found):
        return
    for row in found:
        if ours.has(row):  # to look at each table takes three times as long as opening
            continue
        kind, name, table, sql = row
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
    is_let_be = {"index": _is_harmless_index, "trigger": _is_our_trigger}.get(kind)
    if is_let_be and table.lower() in TABLES and not is_let_be(sql):
        # a person's own, perhaps, of a kind that is not looked through
        return (
            f"the {kind} {shown} on the table {table} is not ours (where it is yours, "
            f"`drop {kind}` in any SQLite tool takes it away)"
        )
    return ""


def _is_our_trigger(sql: str) -> bool:
    """Whether a trigger has the text of one of ours, whatever its white space is.

    One that only forbids is not enough: a run could not be ended.
    """
    return " ".join(sql.lower().split()) in _our_texts("trigger")


def _why_odd_table(connection: Connection, table: str, sql: str) -> str:
    """Return what is odd about a table of our name, empty where nothing is.

    A statement is asked, since a table can be in the place of `pragma_table_xinfo`.
    """
    why = _why_odd_text(sql)
    if why:
        return f"the table {printable(table)} {why}"
    columns = connection.execute(f"pragma table_xinfo({table})").fetchall()
    for _, name, kind, _, _, key, hidden in columns:
        shown = f"the column {printable(str(name)[:_MOST_SHOWN])} of {table}"
        if hidden:
            return f"{shown} is worked out"
        if str(kind).upper() not in _TYPES or str(name).lower() in _ROW_NUMBERS:
            return f"{shown} is of another kind than ours"
        if str(name).lower() == "id" and (
            key != 1
            or (str(kind).upper() == "INTEGER" and _has_index_of_key(connection, table))
        ):
            return f"{shown} is no key"
    return why_columns_differ(connection, table)


def _has_index_of_key(connection: Connection, table: str) -> bool:
    """Whether the key has an index: it is not the number of the row then."""
    indices = connection.execute(f"pragma index_list({table})").fetchall()
    return any(origin == "pk" for _, _, _, origin, _ in indices)


def _why_odd_text(sql: str) -> str:
    if not re.fullmatch(_PLAIN_TABLE, sql) or re.search(_COMPUTED, sql):
        return "is of another kind than ours"
    if not all(rule in _our_rules() for rule in _rules_of(sql)):
        return "has rules that are not ours"
    if any(one["table"].lower() not in TABLES for one in re.finditer(_REFERRED, sql)):
        return "refers to what is not ours"
    return ""


def _rules_of(sql: str) -> Iterator[str]:
    """Yield what a table's text checks, from the word to the bracket that ends it."""
    said = " ".join(sql.lower().split())
    for one in re.finditer(_CHECK, said):
        depth, end = 0, one.end()
        for end, letter in enumerate(said[one.end() :], one.end() + 1):  # noqa: B007
            depth += (letter == "(") - (letter == ")")
            if letter == ")" and not depth:
                break
        yield said[one.start() : end]


@cache
def _our_rules() -> frozenset[str]:
    rows = newest_schema().rows
    tables = [sql for kind, _, _, sql in rows if kind == "table" and sql]
    return frozenset(rule for sql in tables for rule in _rules_of(sql))


def _is_harmless_index(sql: str) -> bool:
    """Whether an index is one of ours, or a plain one; SQLite's own have no text."""
    said = " ".join(sql.split())
    is_plain = re.fullmatch(_PLAIN_INDEX, said) is not None
    return is_plain or sql == str(None) or said.lower() in _our_texts("index")


@cache
def _our_texts(wanted: str) -> frozenset[str]:
    rows = newest_schema().rows
    return frozenset(
        " ".join(str(sql).lower().split()) for kind, _, _, sql in rows if kind == wanted
    )


def _is_our_view(kind: str, name: str, sql: str) -> bool:
    """Whether a view has the text of ours, whatever its white space is."""
    if kind != "view":
        return False
    said = re.sub(r"(?is)^\s*create\s+view\s+\S+\s+as\s+", "", sql)
    return said.split() == VIEWS[name.lower()].split()
