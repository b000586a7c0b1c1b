"""The readings packed, 1,024 of them as one body of arrays.

Here, too, a run's readings are read: whole blocks where there are, else rows.
"""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from benchlog.model import Columns
from benchlog.store import sqlite
from benchlog.store.arrays import (
    COLUMN_KINDS,
    SELECT,
    SELECT_UP_TO,
    columns_from,
    joined,
)
from benchlog.store.sqlite import Connection

_KINDS: Final = {name: f"<{kind}" for name, kind in COLUMN_KINDS.items()}
"""The columns in the order in which a body holds them, little-endian."""
_WIDTH: Final = 8
BLOCK: Final = 1024  # readings
NO_LIMIT: Final = -1
_PIECE: Final = 524_288  # readings in memory twice while a long run is joined
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
_UNPACKED_THERE: Final = """
select 1 from other.outline o left join other.packed p using (run_id, first_id, last_id)
where o.run_id = ? and p.n is not o.n limit 1
"""
_BODIES_THERE: Final = """
select n, body from other.packed where run_id = ? order by first_id
"""


def read_columns(
    connection: Connection, run_id: int, after_id: int, limit: int
) -> Columns:
    """Return readings behind `after_id`, whole blocks of them where there are."""
    if limit == NO_LIMIT:
        pieces = []
        while len(piece := read_columns(connection, run_id, after_id, _PIECE)):
            pieces.append(piece)
            if piece.id[-1] <= after_id:
                raise sqlite.out_of_order("readings")
            after_id = int(piece.id[-1])
        return joined(pieces) if pieces else piece
    found = _read_blocks(connection, run_id, after_id, limit)
    if isinstance(found, Columns):
        return found
    if found is None:
        return columns_from(connection.execute(SELECT, (run_id, after_id, limit)))
    few = connection.execute(SELECT_UP_TO, (run_id, after_id, found, limit))
    return columns_from(few)


def put_block(connection: Connection, run_id: int, after_id: int, count: int) -> None:
    """Pack the `count` readings of a run behind `after_id`; in the transaction."""
    rows = connection.execute(SELECT, (run_id, after_id, count))
    columns = columns_from(rows)
    if len(columns) == count:
        put_columns(connection, run_id, columns)


def put_columns(connection: Connection, run_id: int, columns: Columns) -> None:
    """Pack readings, a block of them; in the transaction that stores them."""
    ends = int(columns.id[0]), int(columns.id[-1])
    connection.execute(_PUT, (run_id, *ends, len(columns), pack(columns)))


def pack_outlined(connection: Connection, run_id: int) -> None:
    """Pack the readings of a run whose outline has just come in; in the transaction."""
    sql = "select first_id, n from outline where run_id = ? order by first_id"
    for first_id, count in connection.execute(sql, (run_id,)).fetchall():
        put_block(connection, run_id, first_id - 1, count)


def bring_packed(
    connection: Connection,
    run: int,
    here: int,
    first_id: int,
    segments: Mapping[int, int | None],
) -> None:
    """Bring in the blocks of a run of `other`, whose outline has just come in.

    In the transaction. The readings are here from `first_id` on, in the segments that
    `segments` has; blocks that are missing there are packed anew.
    """
    if connection.execute(_UNPACKED_THERE, (run,)).fetchone() is not None:
        pack_outlined(connection, here)
        return
    for count, body in connection.execute(_BODIES_THERE, (run,)):
        plain = _renumbered(body, first_id, segments)
        if plain is not None:
            ends = first_id, first_id + count - 1
            connection.execute(_PUT, (here, *ends, count, plain))
            first_id += count
            continue
        columns = unpack([(count, body)])
        there, which = np.unique(columns.segment, return_inverse=True)
        moved = replace(
            columns,
            id=np.arange(first_id, first_id + count),
            segment=np.array([segments[one] for one in there.tolist()])[which],
        )
        put_columns(connection, here, moved)
        first_id += count


def _read_blocks(
    connection: Connection, run_id: int, after_id: int, limit: int
) -> Columns | int | None:
    """Return whole blocks behind `after_id`, at most `limit` readings.

    Returns the id up to which rows must be read instead, where a block does not begin
    right behind `after_id`; None where rows are all there is.
    """
    found = connection.execute(_NEXT, (run_id, after_id)).fetchone()
    if found is None or limit < BLOCK:
        return None
    first_id, last_id = found
    if first_id <= after_id:
        return int(last_id)
    if connection.execute(_BEFORE, (run_id, after_id, first_id)).fetchone():
        return int(first_id) - 1
    bodies = connection.execute(_BODIES, (run_id, after_id, limit // BLOCK))
    return unpack(bodies.fetchall())


def pack(columns: Columns) -> bytes:
    """Return a block of readings as one body."""
    (body,) = pack_blocks(columns, len(columns))
    return body


def pack_blocks(columns: Columns, count: int = BLOCK) -> list[bytes]:
    """Return readings, whole blocks of `count`, as a body for each."""
    packed = [_column_of(name, getattr(columns, name), count) for name in _KINDS]
    return [b"".join(parts) for parts in zip(*packed, strict=True)]


def _column_of(name: str, values: NDArray[Any], count: int) -> list[bytes]:
    """Return one column of each block as its body holds it."""
    rows = np.ascontiguousarray(values, _KINDS[name]).reshape(-1, count)
    bits = rows.view(np.int64)
    alike = np.all(bits == bits[:, :1], axis=1).tolist()
    counted = [False] * len(rows)
    if name == "id":
        counted = np.all(np.diff(rows, axis=1) == 1, axis=1).tolist()
    return [
        b"c" + row[:1].tobytes()
        if same
        else b"s" + row[:1].tobytes()
        if counts
        else b"a" + row.tobytes()
        for row, same, counts in zip(rows, alike, counted, strict=True)
    ]


def put_blocks(connection: Connection, run_id: int, columns: Columns) -> None:
    """Pack readings, whole blocks of them; in the transaction that stores them."""
    ids = columns.id.reshape(-1, BLOCK)
    ends = zip(ids[:, 0].tolist(), ids[:, -1].tolist(), strict=True)
    bodies = zip(ends, pack_blocks(columns), strict=True)
    rows = [(run_id, *both, BLOCK, body) for both, body in bodies]
    connection.executemany(_PUT, rows)


def _renumbered(
    body: bytes, first_id: int, segments: Mapping[int, int | None]
) -> bytes | None:
    """Return a body with other ids and another segment; None where it has several.

    Its first two columns are one number each then, so that the others stay as they are.
    """
    end = 2 * (1 + _WIDTH)
    if body[:1] != b"s" or body[1 + _WIDTH : 2 + _WIDTH] != b"c":
        return None
    there = int(np.frombuffer(body, _KINDS["segment"], 1, end - _WIDTH)[0])
    ids = np.array([first_id], _KINDS["id"]).tobytes()
    segment = np.array([segments[there]], _KINDS["segment"]).tobytes()
    return b"".join([b"s", ids, b"c", segment, body[end:]])


def unpack(rows: list[tuple[int, bytes]]) -> Columns:
    """Return packed blocks, each with its count, as one.

    Raises ValueError for a body that is too short, and a count below zero.
    """
    if any(one < 0 for one, _ in rows):
        raise ValueError("a block of fewer than no readings")
    count = sum(one for one, _ in rows)
    columns = {name: np.empty(count, kind) for name, kind in COLUMN_KINDS.items()}
    begin = 0
    for n, body in rows:
        _fill_from(body, [column[begin : begin + n] for column in columns.values()])
        begin += n
    return Columns(**columns)


def _fill_from(body: bytes, columns: list[NDArray[Any]]) -> None:
    """Fill columns, as long as the block is, with what a body holds."""
    at = 0
    for column, kind in zip(columns, _KINDS.values(), strict=True):
        how, at = body[at : at + 1], at + 1
        stored = len(column) if how == b"a" else 1
        values = np.frombuffer(body, kind, stored, at)
        at += stored * _WIDTH
        if how == b"s":
            column[:] = np.arange(values[0], values[0] + len(column))
        else:
            column[:] = values
