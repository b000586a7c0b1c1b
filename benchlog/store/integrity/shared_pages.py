"""Whether the texts of a database take more room than its file has.

SQLite keeps a long text in a chain of pages. In a file that a stranger's program made,
thousands of rows can have one chain: 5 MB then stand for 7 GB of memory, or of a log
when they are merged. `octet_length` tells the length of a text without reading it.
"""

from collections.abc import Iterable, Iterator
from typing import Final

from benchlog.errors import StoreDamagedError
from benchlog.store.integrity.foreign_schema import TABLES
from benchlog.store.sqlite import VERSION, Connection, SqliteError

_LARGE: Final = frozenset({"readings", "edges", "conditions", "phases"})
BRIEF: Final = TABLES - _LARGE
"""Tables that take no time to look through, however many readings there are."""
_AT_ONCE: Final = 100_000  # rows; our rule: some hundredths of a second
_KNOWS_OCTETS: Final = tuple(map(int, VERSION.split(".")[:2])) >= (3, 43)
"""Source: the changes of SQLite 3.43.0."""
_KINDS: Final = ("TEXT", "BLOB")


def refuse_shared(
    connection: Connection, path: object, tables: Iterable[str] = TABLES
) -> None:
    """Raise StoreDamagedError where rows of tables hold more than the file does.

    Tables that are not there hold nothing.
    """
    if not _KNOWS_OCTETS:
        return
    # statements: a table can be in the place of the functions of this name
    (pages,) = connection.execute("pragma page_count").fetchone()
    (page_size,) = connection.execute("pragma page_size").fetchone()
    size = pages * page_size
    total = 0
    for table in sorted(tables):
        for octets in _octets(connection, table):
            total += octets
            if total > size:
                raise StoreDamagedError(
                    f"{path} is damaged, or somebody made it so: its rows hold more "
                    f"than the {size:,} octets that the file has; nothing was read "
                    "from it: take another copy"
                )


def _octets(connection: Connection, table: str) -> Iterator[int]:
    """Yield how much the texts of further rows of a table hold, in its order.

    Each row counts, so that a tree that leads round and round has an end. Where a page
    was overwritten nothing further is known of the table: `check` tells of the page,
    and `merge` brings what can be read.
    """
    named = connection.execute(f"pragma table_info({table})").fetchall()
    columns = [name for _, name, kind, *_ in named if str(kind).upper() in _KINDS]
    if not named:
        return
    quoted = (name.replace('"', '""') for name in columns)
    held = "+".join(["1", *(f'ifnull(octet_length("{name}"), 0)' for name in quoted)])
    sql = (
        f"select sum(octets), max(at), count(*) from (select {held} octets, rowid at"  # noqa: S608 - our tables, names quoted
        f" from {table} where rowid > ? order by rowid limit {_AT_ONCE})"
    )
    last, count = -(2**63), _AT_ONCE
    while count == _AT_ONCE:
        try:
            octets, newest, count = connection.execute(sql, (last,)).fetchone()
        except SqliteError:
            return
        yield octets or 0
        last = newest if newest is not None and newest > last else 2**63 - 1
