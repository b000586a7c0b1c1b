"""Whole blocks of readings as packed arrays: derived, so that long runs open quickly.

Fetching ten million rows as Python objects takes over ten seconds; as arrays of 1,024
less than one. A block is packed in the transaction that fills its outline row. Rows of
`readings` stay what counts: they are never changed, so a packed block cannot be stale,
and where none is there the rows are read.

A body is, for each column in the order of `columns.SELECT`, one letter and numbers of
eight bytes, little-endian: `c` one value for all, `s` the first of a series that rises
by one, `a` all values.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.model import Columns
from benchlog.store.columns import SELECT, columns_from
from benchlog.store.sqlite import Connection

_FLOATS: Final = frozenset({"gate_s", "frequency_hz", "ambient_c"})
_NAMES: Final = Columns.__slots__
_WIDTH: Final = 8
_PUT: Final = """
insert or replace into packed (run_id, first_id, last_id, n, body)
values (?, ?, ?, ?, ?)
"""
_NEXT: Final = """
select first_id, last_id from packed
where run_id = ?1 and last_id > ?2 and first_id >= ifnull(
  (select max(first_id) from packed where run_id = ?1 and first_id <= ?2), 0)
order by first_id limit 1
"""
"""Blocks lie one behind the other: none before the one that may hold the id matters."""
_BEFORE: Final = """
select 1 from readings where run_id = ? and id > ? and id < ? limit 1
"""
_BODIES: Final = """
select n, body from packed where run_id = ? and first_id > ? order by first_id limit ?
"""


def put_block(connection: Connection, run_id: int, after_id: int, count: int) -> None:
    """Pack the `count` readings of a run behind `after_id`; in the transaction."""
    rows = connection.execute(SELECT, (run_id, after_id, count))
    columns = columns_from(rows)
    if len(columns) == count:
        ends = int(columns.id[0]), int(columns.id[-1])
        connection.execute(_PUT, (run_id, *ends, count, pack(columns)))


def take_blocks(
    connection: Connection, run_id: int, after_id: int, limit: int, block: int
) -> Columns | int | None:
    """Return whole blocks behind `after_id`, at most `limit` readings.

    Returns the id up to which rows must be read instead, where a block does not begin
    right behind `after_id`; None where rows are all there is.
    """
    found = connection.execute(_NEXT, (run_id, after_id)).fetchone()
    if found is None or limit < block:
        return None
    first_id, last_id = found
    if first_id <= after_id:
        return int(last_id)
    if connection.execute(_BEFORE, (run_id, after_id, first_id)).fetchone():
        return int(first_id) - 1
    bodies = connection.execute(_BODIES, (run_id, after_id, limit // block))
    return unpack(bodies.fetchall())


def pack(columns: Columns) -> bytes:
    """Return a block of readings as one body."""
    parts = []
    for name in _NAMES:
        kind = "<f8" if name in _FLOATS else "<i8"
        values = np.ascontiguousarray(getattr(columns, name), kind)
        raw, first = values.tobytes(), values[:1].tobytes()
        if raw == first * len(values):
            parts += [b"c", first]
        elif name == "id" and bool(np.all(np.diff(values) == 1)):
            parts += [b"s", first]
        else:
            parts += [b"a", raw]
    return b"".join(parts)


def unpack(rows: list[tuple[int, bytes]]) -> Columns:
    """Return packed blocks, each with its count, as one."""
    pieces = [_unpacked(count, body) for count, body in rows]
    joined = [np.concatenate(column) for column in zip(*pieces, strict=True)]
    return Columns(*joined)


def _unpacked(count: int, body: bytes) -> list[NDArray[np.generic]]:
    found: list[NDArray[np.generic]] = []
    at = 0
    for name in _NAMES:
        how, at = body[at : at + 1], at + 1
        kind = "<f8" if name in _FLOATS else "<i8"
        stored = count if how == b"a" else 1
        values = np.frombuffer(body, kind, stored, at)
        at += stored * _WIDTH
        if how == b"c":
            values = np.broadcast_to(values, count)
        elif how == b"s":
            values = np.arange(values[0], values[0] + count)
        found.append(values)
    return found
