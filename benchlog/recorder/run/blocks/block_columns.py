"""Blocks of committed readings as the arrays that a judge takes, and as rows."""

from collections.abc import Iterator, Sequence
from typing import Final, cast

import numpy as np

from benchlog.model import (
    Columns,
    Condition,
    Edge,
    Event,
    Flag,
    PhasePoint,
    Reading,
)
from benchlog.store.reading_block import ReadingBlock
from benchlog.store.rows import Row
from benchlog.store.writer import Writer

Queued = tuple[int, int, Reading | Event | Condition | Edge | PhasePoint | ReadingBlock]
"""A row on its way into the database, or readings of one run that come together."""
MOST_TOGETHER: Final = 100_000
"""Rows of one transaction that has blocks; our rule: well under a second."""


def columns_of_block(block: ReadingBlock, segment_id: int) -> Columns:
    """Return a block as columns; ids are zero: the database alone knows them."""
    n = len(block)
    unknown = np.full(n, np.nan)
    return Columns(
        id=np.zeros(n, np.int64),
        segment=np.full(n, segment_id, np.int64),
        utc_ns=np.full(n, -1) if block.utc_ns is None else block.utc_ns,
        mono_ns=block.mono_ns,
        gate_s=np.full(n, block.gate_s),
        frequency_hz=block.frequency_hz,
        ambient_c=unknown if block.ambient_c is None else block.ambient_c,
        flags=block.flags,
    )


def last_reading(block: ReadingBlock) -> Reading:
    """Return the newest reading of a block."""
    ambient_c = None if block.ambient_c is None else float(block.ambient_c[-1])
    return Reading(
        None if block.utc_ns is None else int(block.utc_ns[-1]),
        int(block.mono_ns[-1]),
        block.gate_s,
        float(block.frequency_hz[-1]),
        ambient_c,
        Flag(int(block.flags[-1])),
        None if block.raw is None else block.raw[-1],
    )


def size_of(row: Queued) -> int:
    """Return how many rows of the database a row of the queue is."""
    return len(row[2]) if isinstance(row[2], ReadingBlock) else 1


def one_by_one(rows: Sequence[Queued]) -> Iterator[Row]:
    """Yield rows with each reading of a block as a row of its own."""
    for row in rows:
        run_id, segment_id, noun = row
        if isinstance(noun, ReadingBlock):
            yield from ((run_id, segment_id, one) for one in noun.readings())
        else:
            yield cast("Row", row)  # the same object: waiting rows are told apart so


def stretches(rows: Sequence[Queued]) -> Iterator[list[Queued]]:
    """Yield rows in their order, parted so that each part is stored in one way.

    A part is of blocks that belong together, `MOST_TOGETHER` readings at most, or has
    no block.
    """
    part: list[Queued] = []
    size = 0
    for row in rows:
        if part and (
            not _belongs(part[-1], row) or size + size_of(row) > MOST_TOGETHER
        ):
            yield part
            part, size = [], 0
        part.append(row)
        size += size_of(row)
    if part:
        yield part


def _belongs(before: Queued, row: Queued) -> bool:
    """Whether a row is stored together with the one before it."""
    one, other = before[2], row[2]
    if not (isinstance(one, ReadingBlock) and isinstance(other, ReadingBlock)):
        return isinstance(one, ReadingBlock) == isinstance(other, ReadingBlock)
    alike = (one.gate_s, one.utc_ns is None) == (other.gate_s, other.utc_ns is None)
    return before[:2] == row[:2] and alike


def store(writer: Writer, rows: Sequence[Queued]) -> None:
    """Store one of the `stretches`, in one transaction. Raises as `Writer.commit`."""
    blocks = [row[2] for row in rows if isinstance(row[2], ReadingBlock)]
    if not blocks:
        writer.commit(list(one_by_one(rows)))
        return
    run_id, segment_id, _ = rows[0]
    writer.commit_block(run_id, segment_id, together(blocks))


def together(blocks: Sequence[ReadingBlock]) -> ReadingBlock:
    """Return blocks of one gate as one."""
    first = blocks[0]
    if len(blocks) == 1:
        return first
    times = None
    if first.utc_ns is not None:
        times = np.concatenate([b.utc_ns for b in blocks if b.utc_ns is not None])
    ambient = None
    if any(block.ambient_c is not None for block in blocks):
        ambient = np.concatenate(
            [
                np.full(len(b), np.nan) if b.ambient_c is None else b.ambient_c
                for b in blocks
            ]
        )
    raw: list[str | None] | None = None
    if any(block.raw is not None for block in blocks):
        raw = [one for b in blocks for one in (b.raw or [None] * len(b))]
    return ReadingBlock(
        utc_ns=times,
        mono_ns=np.concatenate([block.mono_ns for block in blocks]),
        gate_s=first.gate_s,
        frequency_hz=np.concatenate([block.frequency_hz for block in blocks]),
        ambient_c=ambient,
        flags=np.concatenate([block.flags for block in blocks]),
        raw=raw,
    )
