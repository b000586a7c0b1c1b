"""The outline: per run and 1,024 readings one row of figures.

The writer adds a row in the transaction that fills a block, from the readings it was
given; what has no row yet (the open end of a run, or a database whose outline was
dropped) the reader works out.
"""

from collections.abc import Iterable, Iterator, Sequence
from functools import reduce
from math import fsum
from operator import or_
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from benchlog.model import Columns, Flag, Reading
from benchlog.store.arrays import SELECT_OUTLINE, outline_from
from benchlog.store.derived.packed import (
    BLOCK,
    NO_LIMIT,
    put_block,
    put_blocks,
    read_columns,
)
from benchlog.store.reading_block import ReadingBlock
from benchlog.store.rows import Outline
from benchlog.store.sqlite import Connection

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
        if begin < end:  # one transaction: their ids have no holes
            ends = self._first_open(run_id), segment_id
            self._fill_by(run_id, ends, added.part(begin, end))
        self._grown[run_id] = [], added.part(end, len(added)).readings()

    def is_even(self, run_id: int) -> bool:
        """Whether all readings of a run are in blocks, as they are where none is."""
        known = self._open.get(run_id)
        if known is None:
            first = self._connection.execute(_NTH, (run_id, 0, 0)).fetchone()
            return first is None
        return not known

    def grow_staged(
        self, run_id: int, first_id_and_segment: tuple[int, int], added: ReadingBlock
    ) -> None:
        """Fill blocks of readings that are rows nowhere yet, all of them; as `grow`."""
        self._fill_by(run_id, first_id_and_segment, added)
        self._grown = {run_id: ([], [])}

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

    def _fill_by(
        self, run_id: int, first_id_and_segment: tuple[int, int], added: ReadingBlock
    ) -> None:
        """Fill as many blocks as there are readings for."""
        first_id, segment_id = first_id_and_segment
        figured = enumerate(_figures_of(added))
        rows = [
            (run_id, first, first + BLOCK - 1, BLOCK, *figures)
            for first, figures in ((first_id + at * BLOCK, one) for at, one in figured)
        ]
        self._connection.executemany(_ADD, rows)
        put_blocks(self._connection, run_id, _columns_of(added, first_id, segment_id))

    def _first_open(self, run_id: int) -> int:
        """Return the id of the first reading behind the last block; there is one."""
        after_id = last_outlined(self._connection, run_id)
        found = self._connection.execute(_NTH, (run_id, after_id, 0)).fetchone()
        return int(found[0])

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
        _mean(hertz),
        _mean(ambient) if ambient else None,
        reduce(or_, {+r.flags for r in readings}),
        first.utc_ns,
        first.mono_ns,
        last.utc_ns,
        last.mono_ns,
    )


def _mean(values: Sequence[float]) -> float:
    """Return the mean, also of numbers so absurd that their sum has no bounds."""
    n = len(values)
    try:
        return fsum(values) / n
    except OverflowError:
        return fsum(value / n for value in values)


def _figures_of(added: ReadingBlock) -> Iterator[tuple[Any, ...]]:
    """Yield the figures of each block of readings as `_figures` returns them."""
    hertz = added.frequency_hz.reshape(-1, BLOCK)
    flags = np.bitwise_or.reduce(added.flags.reshape(-1, BLOCK), axis=1)
    none = [None] * len(hertz)
    ambient_c: Iterable[float | None] = none
    if added.ambient_c is not None:
        ambient_c = map(_mean_known, added.ambient_c.reshape(-1, BLOCK))
    first, last = slice(0, None, BLOCK), slice(BLOCK - 1, None, BLOCK)
    utc_ns = added.utc_ns
    yield from zip(
        hertz.min(axis=1).tolist(),
        hertz.max(axis=1).tolist(),
        map(_mean, hertz.tolist()),
        ambient_c,
        flags.tolist(),
        none if utc_ns is None else utc_ns[first].tolist(),
        added.mono_ns[first].tolist(),
        none if utc_ns is None else utc_ns[last].tolist(),
        added.mono_ns[last].tolist(),
        strict=True,
    )


def _mean_known(ambient_c: NDArray[np.float64]) -> float | None:
    known = ambient_c[~np.isnan(ambient_c)]
    return _mean(known.tolist()) if len(known) else None


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
