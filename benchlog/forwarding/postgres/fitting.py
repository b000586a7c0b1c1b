"""Rows held against the columns over there: what a damaged database holds fits none.

Our own tables take no value of another kind, so this is asked only of a batch that was
refused over there: one row must not hold up all others for ever.
"""

import datetime
from collections.abc import Iterable
from typing import Any, Final
from uuid import UUID

from benchlog.forwarding.postgres.tables import CentralTable
from benchlog.store.tail.tail_reader import Row
from benchlog.units import printable

_NOT_NULL: Final = " not null"
_KINDS: Final[dict[str, tuple[type, ...]]] = {
    "text": (str,),
    "jsonb": (str,),
    "bigint": (int,),
    "double precision": (int, float),
    "boolean": (bool,),
    "bytea": (bytes,),
    "uuid": (UUID,),
    "date": (datetime.date,),
}
_SHOWN: Final = 40  # our rule: a value in a sentence
_MOST: Final = 2**63  # definition: beyond what a bigint holds


def fitting(
    table: CentralTable, rows: Iterable[Row], left_out: dict[str, str]
) -> list[Row]:
    """Return the rows that fit their columns; the others are noted, and why."""
    found = []
    for row in rows:
        why = _misfit(table, row)
        if why:
            left_out[_name(table, row)] = why
        else:
            found.append(row)
    return found


def _misfit(table: CentralTable, row: Row) -> str:
    for name, value in zip(table.sent, row, strict=True):
        kind = table.columns[name]
        if value is None:
            if kind.endswith(_NOT_NULL):
                return f"its {name} is missing"
        elif not _is_of(kind.removesuffix(_NOT_NULL), value):
            return f"its {name} is {printable(repr(value)[:_SHOWN])}"
    return ""


def _is_of(kind: str, value: Any) -> bool:
    if isinstance(value, bool):
        return kind == "boolean"
    if kind == "bigint" and isinstance(value, int):
        return -_MOST <= value < _MOST
    return isinstance(value, _KINDS[kind])


def _name(table: CentralTable, row: Row) -> str:
    """Return what a person finds the row by: its key over there."""
    told = dict(zip(table.sent, row, strict=True))
    key = " ".join(str(told[name])[:_SHOWN] for name in table.key)
    return printable(f"a row of {table.name} ({key})")
