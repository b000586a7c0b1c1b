"""The newest schema as it is kept, so that a new file has it at once.

The steps make it in 20 ms and need sqlite-utils, whose import takes 0.1 s. What is kept
is what they make: `tests/store/test_schema.py` holds both against each other, and
writes it anew by `BENCHLOG_UPDATE_SCHEMAS=1`.
"""

import json
from dataclasses import dataclass
from functools import cache, cached_property
from pathlib import Path
from typing import Final

from benchlog.store.sqlite import Connection

KEPT: Final = Path(__file__).with_name("newest.json")
SCHEMA: Final = "select type, name, tbl_name, sql from sqlite_master order by rowid"
"""What a schema consists of, in the order in which it was made."""
Row = tuple[str, str, str, str | None]


@dataclass(frozen=True)
class NewestSchema:
    """The rows of `SCHEMA` in a new file, and the number of steps that make them."""

    number: int
    rows: tuple[Row, ...]

    def is_of(self, found: list[Row]) -> bool:
        """Whether a file has this schema and nothing beside it, in whatever order."""
        return len(found) == len(self.rows) and frozenset(found) == self._as_set

    def has(self, row: Row) -> bool:
        """Whether a file of this schema has this row, word for word."""
        return row in self._as_set

    @cached_property
    def _as_set(self) -> frozenset[Row]:
        return frozenset(self.rows)

    def make(self, connection: Connection) -> None:
        """Make it in an empty file. Raises the library's errors."""
        for *_, sql in self.rows:
            if sql is not None:  # SQLite makes indices of keys by itself
                connection.execute(sql)


@cache
def newest_schema() -> NewestSchema:
    """Return what is kept; it is read once."""
    kept = json.loads(KEPT.read_text("utf-8"))
    return NewestSchema(kept["steps"], tuple(tuple(row) for row in kept["schema"]))
