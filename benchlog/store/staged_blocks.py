"""Readings of a staging database that are packed there, and rows only where they go.

To write a row takes as long as to read it from a file, and rows that only pass are
read by nobody: an import judges whole blocks by what is packed. The two ends of what
comes at once are rows here, too: so the ids of what follows go on behind it, and who
asks for the first or the last reading finds it.
"""

import json
from collections.abc import Callable, Mapping
from typing import Final

import numpy as np

from benchlog.model import Columns
from benchlog.store.derived.outline import Blocks
from benchlog.store.derived.packed import BLOCK, unpack
from benchlog.store.parameters import insert_block
from benchlog.store.reading_block import ReadingBlock
from benchlog.store.session import Session
from benchlog.store.sqlite import Connection

STAGED: Final = """
create table staged (first_id integer primary key, last_id integer not null,
  stamped integer not null, raw text) strict
"""
"""What packed blocks do not tell: whether there are time stamps; the texts, as JSON."""
_NEXT_ID: Final = "select ifnull(max(id), 0) + 1 from readings"
_ADD: Final = "insert into staged values (?, ?, ?, ?)"
_END: Final = """
insert into readings (id, run_id, segment_id, utc_ns, mono_ns, gate_s, frequency_hz,
  ambient_c, flags) values (?, ?, ?, ?, ?, ?, ?, ?, ?)
"""
_SPANS: Final = "select first_id, last_id, stamped from other.staged order by first_id"
_RAW: Final = "select raw from other.staged where first_id = ?"
_BODIES: Final = """
select n, body from other.packed where run_id = ? and first_id between ? and ?
order by first_id
"""
_LAST_ID: Final = 2**63 - 1  # definition: what SQLite counts to


def store_block(
    session: Session, blocks: Blocks, to: tuple[int, int], block: ReadingBlock
) -> None:
    """Insert readings that follow one another in a run and segment, or stage them.

    In the transaction. Raises as inserting does.
    """
    run_id, segment_id = to
    if session.passes and blocks.is_even(run_id) and _fits(block):
        first_id = _stage(session.connection, to, block)
        blocks.grow_staged(run_id, (first_id, segment_id), block)
        return
    with session.looked_at(block.is_sound):
        insert_block(session.connection, run_id, segment_id, block)
        blocks.grow_by(run_id, segment_id, block)


def _fits(block: ReadingBlock) -> bool:
    """Whether readings can be staged packed: whole blocks that no table refuses."""
    is_whole = len(block) > 0 and len(block) % BLOCK == 0
    return is_whole and bool(np.all(block.flags >= 0)) and block.is_sound()


def _stage(connection: Connection, to: tuple[int, int], block: ReadingBlock) -> int:
    """Note readings that are to be packed at once; return the id of the first.

    Raises UnicodeEncodeError for texts that are none.
    """
    first_id = int(connection.execute(_NEXT_ID).fetchone()[0])
    last_id = first_id + len(block) - 1
    raw = None if block.raw is None else json.dumps(block.raw, ensure_ascii=False)
    connection.execute(_ADD, (first_id, last_id, block.utc_ns is not None, raw))
    for number, at in ((first_id, 0), (last_id, len(block) - 1)):
        (end,) = block.part(at, at + 1).readings()
        values = (end.utc_ns, end.mono_ns, end.gate_s, end.frequency_hz, end.ambient_c)
        connection.execute(_END, (number, *to, *values, int(end.flags)))
    return first_id


def bring(
    connection: Connection,
    runs: tuple[int, int],
    segments: Mapping[int, int | None],
    copy: Callable[..., int],
) -> int:
    """Bring in the readings of a run of the staging database `other`, in their order.

    `runs` are its numbers there and here. In the caller's transaction. `copy` brings in
    the rows from one id to another, and returns how many. Returns how many came in all.
    """
    there, here = runs
    count = behind = 0
    for first_id, last_id, is_stamped in connection.execute(_SPANS).fetchall():
        count += copy(ids=(behind + 1, first_id - 1))
        bodies = connection.execute(_BODIES, (there, first_id, last_id)).fetchall()
        (raw,) = connection.execute(_RAW, (first_id,)).fetchone()
        columns = unpack(bodies)
        segment_id = segments.get(int(columns.segment[0])) or 0  # 0: refused later
        block = _block_of(columns, None if raw is None else json.loads(raw), is_stamped)
        insert_block(connection, here, segment_id, block)
        count, behind = count + len(block), last_id
    return count + copy(ids=(behind + 1, _LAST_ID))


def _block_of(
    columns: Columns, raw: list[str | None] | None, is_stamped: int
) -> ReadingBlock:
    ambient_c = columns.ambient_c
    return ReadingBlock(
        utc_ns=columns.utc_ns if is_stamped else None,
        mono_ns=columns.mono_ns,
        gate_s=float(columns.gate_s[0]),
        frequency_hz=columns.frequency_hz,
        ambient_c=None if np.all(np.isnan(ambient_c)) else ambient_c,
        flags=columns.flags,
        raw=raw,
    )
