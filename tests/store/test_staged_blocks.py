"""What is staged packed comes over as the rows that it would have been."""

from contextlib import closing

import numpy as np
import pytest
from seeds import seeded_generator
from store.making import begin, reading
from tiers import seldom

from benchlog.clock import VirtualClock
from benchlog.errors import StoreRefusedError
from benchlog.model import Event, EventKind
from benchlog.store import sqlite
from benchlog.store.derived.packed import BLOCK
from benchlog.store.reading_block import ReadingBlock
from benchlog.store.staging import staging_beside
from benchlog.store.writer import Writer

ODD_C = (np.nan, 0.0, 5e-324, 25.25)  # SQLite has no zero below zero
ODD_HZ = (5e-324, 1.7976931348623157e308, 16e6, 16e6 + 2**-28)
TEXTS = (None, "16e6", "1,6 \x00 e7", "\u202e16\n", "\N{SNOWMAN}", "'; drop table")
FILLED = ("all", "nothing", "some", "alike")
ORDERS = (
    (2 * BLOCK, 3 * BLOCK),
    (BLOCK, "row", 2 * BLOCK, 5),
    ("row", 3 * BLOCK, "event", BLOCK),
    (2 * BLOCK, "event", "segment", BLOCK, "row", "row"),
    (BLOCK, 7, BLOCK - 7, 2 * BLOCK),
    (3 * BLOCK, BLOCK - 1, 1, BLOCK, 1),
)


def odd_block(count: int, first: int, filled: str, seed: int) -> ReadingBlock:
    """Readings that are alike in no column, in some, or in all."""
    random = seeded_generator(seed)
    at = np.arange(first, first + count)
    chosen = random.choice(4, count) if filled != "alike" else np.full(count, 3)
    full = filled in {"all", "some"}
    ambient_c = np.array(ODD_C)[chosen]
    if filled == "some":
        ambient_c[random.random(count) < 0.5] = np.nan
    texts = [TEXTS[one] for one in random.choice(len(TEXTS), count)]
    return ReadingBlock(
        utc_ns=at * 7 - 8 if full else None,  # -1 is among them: no moment is missing
        mono_ns=at * 1_000_000_007,
        gate_s=0.1,
        frequency_hz=np.array(ODD_HZ)[chosen],
        ambient_c=None if filled == "nothing" else ambient_c,
        flags=random.choice([0, 1, 1024], count) if full else np.zeros(count, np.int64),
        raw=texts if full else None,
    )


def fill(writer: Writer, order: tuple[int | str, ...], filled: str) -> int:
    """Commit blocks, rows, events and segments in this order; return the run."""
    run, segment = begin(writer)
    done = 0
    for one in order:
        if one == "segment":
            segment = writer.begin_segment(run)
        elif one == "event":
            event = Event(1, done, EventKind.NOTE, "between")
            writer.commit([(run, segment, event)])
        elif one == "row":
            writer.commit([(run, segment, reading(done, raw="typed"))])
            done += 1
        else:
            writer.commit_block(run, segment, odd_block(int(one), done, filled, done))
            done += int(one)
    writer.end_run(run, "file read")
    return run


def logged(path) -> dict[str, list[tuple[object, ...]]]:
    """Return all that was logged, and what is derived of it, as SQLite has it."""
    wanted = {
        "readings": "id, segment_id, utc_ns, mono_ns, gate_s, hex(frequency_hz),"
        " frequency_hz, ambient_c, flags, typeof(raw), hex(raw)",
        "events": "segment_id, mono_ns, text",
        "outline": "*",
        "packed": "*",
    }
    with closing(sqlite.connect_to_read(path)) as connection:
        return {
            table: connection.execute(f"select {columns} from {table}").fetchall()
            for table, columns in wanted.items()
        }


def brought(path, order, filled) -> dict[str, list[tuple[object, ...]]]:
    """Return what comes over of a run that was staged."""
    with (
        Writer.open(path, VirtualClock()) as writer,
        staging_beside(path) as staging,
    ):
        with Writer.open_staging(staging, VirtualClock()) as staged:
            fill(staged, order, filled)
        writer.bring_import(staging)
    return logged(path)


@pytest.mark.parametrize(
    ("order", "filled"),
    [
        (order, filled) if nth % len(FILLED) == at else seldom(order, filled)
        for nth, order in enumerate(ORDERS)
        for at, filled in enumerate(FILLED)
    ],
    ids=str,
)
def test_it_is_what_it_would_be_without_a_stage(tmp_path, order, filled):
    plain = tmp_path / "plain.db"
    with Writer.open(plain, VirtualClock()) as writer:
        fill(writer, order, filled)
    wanted = logged(plain)
    count = sum({"row": 1}.get(one, 0) if one in {"row", "event", "segment"} else one
                for one in order)  # fmt: skip
    assert len(wanted["readings"]) == count
    assert len(wanted["packed"]) == count // BLOCK
    assert brought(tmp_path / "meant.db", order, filled) == wanted


def test_whole_blocks_are_no_rows_of_the_stage(tmp_path):
    """Or the same would be written twice; the test above would not see it."""
    path = tmp_path / "meant.db"
    with (
        staging_beside(path) as staging,
        Writer.open_staging(staging, VirtualClock()) as staged,
    ):
        fill(staged, (2 * BLOCK, "row", BLOCK), "all")
        with closing(sqlite.connect_to_read(staging)) as connection:
            ids = connection.execute("select id from readings").fetchall()
    # both ends of two blocks; then a row, after which no block is whole any more
    assert [one for (one,) in ids[:3]] == [1, 2 * BLOCK, 2 * BLOCK + 1]
    assert len(ids) == 3 + BLOCK


@pytest.mark.parametrize("what", ["flags", "text"])
def test_what_no_table_holds_is_refused_as_rows_are(tmp_path, what):
    path = tmp_path / "meant.db"
    block = odd_block(BLOCK, 0, "all", 3)
    if what == "flags":
        block.flags[7] = -1
    else:
        block.raw[7] = "\udc80"
    with (
        Writer.open(path, VirtualClock()) as writer,
        staging_beside(path) as staging,
    ):
        with Writer.open_staging(staging, VirtualClock()) as staged:
            run, segment = begin(staged)
            if what == "text":
                with pytest.raises((StoreRefusedError, UnicodeEncodeError)):
                    staged.commit_block(run, segment, block)
                return
            staged.commit_block(run, segment, block)
            staged.end_run(run, "file read")
        with pytest.raises(Exception, match="hold what cannot be"):
            writer.bring_import(staging)
    assert logged(path)["readings"] == []
