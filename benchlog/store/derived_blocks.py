"""What is derived of each 1,024 readings: the outline, and the readings packed.

Here, too, a run's readings are read: whole blocks where there are, else rows.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import reduce
from math import fsum, isnan
from operator import or_
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from benchlog.model import Columns, Flag, Reading
from benchlog.store import sqlite
from benchlog.store.arrays import (
    COLUMN_KINDS,
    SELECT,
    SELECT_OUTLINE,
    SELECT_UP_TO,
    columns_from,
    joined,
    outline_from,
)
from benchlog.store.rows import Outline, ReadingBlock
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
        ends = int(columns.id[0]), int(columns.id[-1])
        connection.execute(_PUT, (run_id, *ends, count, pack(columns)))


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
        columns = unpack([(count, body)])
        there, which = np.unique(columns.segment, return_inverse=True)
        moved = replace(
            columns,
            id=np.arange(first_id, first_id + count),
            segment=np.array([segments[one] for one in there.tolist()])[which],
        )
        last_id = first_id + count - 1
        connection.execute(_PUT, (here, first_id, last_id, count, pack(moved)))
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
    parts = []
    for name, kind in _KINDS.items():
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
    for kind in _KINDS.values():
        how, at = body[at : at + 1], at + 1
        stored = count if how == b"a" else 1
        values = np.frombuffer(body, kind, stored, at)
        at += stored * _WIDTH
        if how == b"c":
            values = np.broadcast_to(values, count)
        elif how == b"s":
            values = np.arange(values[0], values[0] + count)
        found.append(values)
    return found


# --- the outline: per run and 1,024 readings one row, derived and rebuildable
#
# The writer adds a row in the transaction that fills a block, from the readings it was
# given; what has no row yet (the open end of a run, or a database whose outline was
# dropped) the reader works out.

_OPEN_END: Final = """
select utc_ns, mono_ns, gate_s, frequency_hz, ambient_c, flags from readings
where run_id = ? and id > ? order by id limit ?
"""
_NTH: Final = """
select id from readings where run_id = ? and id > ? order by id limit 1 offset ?
"""
_ADD: Final = """
insert into outline (run_id, first_id, last_id, n, min_hz, max_hz, mean_hz,
  ambient_mean_c, flags, t0_utc_ns, t0_mono_ns, t1_utc_ns, t1_mono_ns)
values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
"""


def read_outline(connection: Connection, run_id: int) -> Outline:
    """Return a run in blocks; those that are not stored are worked out."""
    after_id = last_outlined(connection, run_id)
    stored = connection.execute(SELECT_OUTLINE, (run_id, after_id))
    rest = read_columns(connection, run_id, after_id, NO_LIMIT)
    return outline_from(stored, rest, BLOCK)


class Blocks:
    """The readings of each run that are not in the outline yet; one writer's own.

    They are at hand, so a block costs a third of asking the table for its figures. A
    run has one writer at a time.
    """

    def __init__(self, connection: Connection) -> None:
        self._connection = connection
        self._open: dict[int, list[Reading]] = {}
        self._grown: dict[int, tuple[list[Reading], list[Reading]]] = {}

    def grow(self, rows: Sequence[tuple[int, int, Any]]) -> None:
        """Note rows of readings just inserted and fill blocks; in the transaction."""
        self._grown = {}
        for run_id in {row[0] for row in rows}:
            known = self._open.get(run_id)
            if known is None:
                self._grown[run_id] = self._caught_up(run_id), []
                continue
            added = [reading for run, _, reading in rows if run == run_id]
            if len(known) + len(added) >= BLOCK:
                known, added = self._filled(run_id, known + added), []
            self._grown[run_id] = known, added

    def grow_by(self, run_id: int, segment_id: int, added: ReadingBlock) -> None:
        """Note readings just inserted, as `grow` does, from arrays."""
        known = self._open.get(run_id)
        self._grown = {}
        if known is None:
            self._grown[run_id] = self._caught_up(run_id), []
            return
        begin = (BLOCK - len(known)) % BLOCK
        if begin and len(added) >= begin:
            head = added.part(0, begin).readings()
            known = self._filled(run_id, known + head)
        if len(added) < begin:
            self._grown[run_id] = known, added.readings()
            return
        end = len(added) - (len(added) - begin) % BLOCK
        for at in range(begin, end, BLOCK):
            self._fill_by(run_id, segment_id, added.part(at, at + BLOCK))
        self._grown[run_id] = [], added.part(end, len(added)).readings()

    def keep(self) -> None:
        """Believe what `grow` did: its transaction was committed."""
        for run_id, (known, added) in self._grown.items():
            known.extend(added)
            self._open[run_id] = known
        self._grown = {}

    def rebuild(self, run_id: int) -> None:
        """Make the outline of one run anew; in the transaction."""
        self._connection.execute("delete from outline where run_id = ?", (run_id,))
        self._connection.execute("delete from packed where run_id = ?", (run_id,))
        self._grown = {run_id: (self._caught_up(run_id), [])}

    def _caught_up(self, run_id: int) -> list[Reading]:
        """Fill the blocks that the table could fill; return the readings beyond."""
        while len(end := self._open_end(run_id)) == BLOCK:
            self._fill(run_id, end)
        return end

    def _filled(self, run_id: int, waiting: list[Reading]) -> list[Reading]:
        """Fill as many blocks as there are; return the readings beyond."""
        done = len(waiting) - len(waiting) % BLOCK
        for at in range(0, done, BLOCK):
            self._fill(run_id, waiting[at : at + BLOCK])
        return waiting[done:]

    def _open_end(self, run_id: int) -> list[Reading]:
        after_id = last_outlined(self._connection, run_id)
        found = self._connection.execute(_OPEN_END, (run_id, after_id, BLOCK))
        return [
            Reading(utc_ns, mono_ns, gate_s, hertz, ambient_c, Flag(flags))
            for utc_ns, mono_ns, gate_s, hertz, ambient_c, flags in found
        ]

    def _fill(self, run_id: int, readings: Sequence[Reading]) -> None:
        after_id, ends = self._ends(run_id)
        values = (run_id, *ends, BLOCK, *_figures(readings))
        self._connection.execute(_ADD, values)
        put_block(self._connection, run_id, after_id, BLOCK)

    def _fill_by(self, run_id: int, segment_id: int, block: ReadingBlock) -> None:
        after_id, (first_id, last_id) = self._ends(run_id)
        values = (run_id, first_id, last_id, BLOCK, *_figures_of(block))
        self._connection.execute(_ADD, values)
        if last_id - first_id >= BLOCK:  # another run's readings lie between
            put_block(self._connection, run_id, after_id, BLOCK)
            return
        columns = _columns_of(block, first_id, segment_id)
        body = (run_id, first_id, last_id, BLOCK, pack(columns))
        self._connection.execute(_PUT, body)

    def _ends(self, run_id: int) -> tuple[int, tuple[int, int]]:
        """Return the last id that is in a block, and the ends of the next block."""
        after_id = last_outlined(self._connection, run_id)
        first_id, last_id = (
            self._connection.execute(_NTH, (run_id, after_id, nth)).fetchone()[0]
            for nth in (0, BLOCK - 1)
        )
        return after_id, (first_id, last_id)


def _figures(readings: Sequence[Reading]) -> tuple[Any, ...]:
    """Return the figures of a block in the order of `_ADD`."""
    hertz = [r.frequency_hz for r in readings]
    ambient = [r.ambient_c for r in readings if r.ambient_c is not None]
    first, last = readings[0], readings[-1]
    return (
        min(hertz),
        max(hertz),
        fsum(hertz) / len(hertz),
        fsum(ambient) / len(ambient) if ambient else None,
        reduce(or_, {+r.flags for r in readings}),
        first.utc_ns,
        first.mono_ns,
        last.utc_ns,
        last.mono_ns,
    )


def _figures_of(block: ReadingBlock) -> tuple[Any, ...]:
    """Return the figures of a block as `_figures` does."""
    hertz, mono = block.frequency_hz, block.mono_ns
    ambient = [] if block.ambient_c is None else block.ambient_c.tolist()
    ambient = [one for one in ambient if not isnan(one)]
    utc: tuple[int | None, int | None] = (None, None)
    if block.utc_ns is not None:
        utc = (int(block.utc_ns[0]), int(block.utc_ns[-1]))
    return (
        float(hertz.min()),
        float(hertz.max()),
        fsum(hertz.tolist()) / len(hertz),
        fsum(ambient) / len(ambient) if ambient else None,
        int(np.bitwise_or.reduce(block.flags)),
        utc[0],
        int(mono[0]),
        utc[1],
        int(mono[-1]),
    )


def _columns_of(block: ReadingBlock, first_id: int, segment_id: int) -> Columns:
    """Return a block as `SELECT` gives it when it is stored from `first_id` on."""
    count = len(block)
    utc = np.full(count, -1, np.int64) if block.utc_ns is None else block.utc_ns
    ambient = block.ambient_c
    return Columns(
        id=np.arange(first_id, first_id + count),
        segment=np.full(count, segment_id, np.int64),
        utc_ns=utc,
        mono_ns=block.mono_ns,
        gate_s=np.full(count, block.gate_s),
        frequency_hz=block.frequency_hz,
        ambient_c=np.full(count, np.nan) if ambient is None else ambient,
        flags=block.flags,
    )


def last_outlined(connection: Connection, run_id: int) -> int:
    """Return the id of the last reading that the outline covers, 0 if none."""
    found = connection.execute(
        "select last_id from outline where run_id = ? order by first_id desc limit 1",
        (run_id,),
    ).fetchone()
    return 0 if found is None else int(found[0])
