"""A log that was overwritten, or has lost its index, spoils nothing that was whole.

Before, a keeper that had told of an overwritten log moved it into the database when it
ended, zeros over sound pages; and two programs wrote into one log by an index each.
"""

import sqlite3
from contextlib import closing

import pytest
from store.making import begin, rows
from store.processes import python

from benchlog.clock import VirtualClock
from benchlog.errors import StoreError
from benchlog.store.files import shm_of, wal_of
from benchlog.store.reader import Reader
from benchlog.store.writer import Writer

COUNT = 60
VOID = """
import sys
from pathlib import Path
from benchlog.clock import VirtualClock
from benchlog.store.rows import Amendment
from benchlog.store.writer import Writer

with Writer.open(Path(sys.argv[1]), VirtualClock()) as other:
    other.amend(1, Amendment(kind="void", reason="the probe had come off"))
"""


@pytest.fixture
def path(tmp_path):
    """A database with a run that is over and in the file itself."""
    found = tmp_path / "bench.db"
    with Writer.open(found, VirtualClock()) as writer:
        run, segment = begin(writer, "OLD")
        writer.commit(rows(run, segment, COUNT))
        writer.end_run(run, "readings reached")
    assert not wal_of(found).exists()
    return found


def whole(path):
    with closing(sqlite3.connect(path)) as plain:
        return plain.execute("pragma integrity_check").fetchall() == [("ok",)]


def of_the_old(path):
    with closing(Reader.open(path)) as reader:
        return len(reader.columns_after(1))


def emptied(log):
    with log.open("r+b") as file:
        file.truncate(0)


def garbled(log):
    with log.open("r+b") as file:
        file.write(b"garbled ." * 1_000)


@pytest.mark.parametrize("spoil", [emptied, garbled])
@pytest.mark.parametrize("known", [True, False])
def test_an_overwritten_log_is_not_moved_into_the_database(path, spoil, known):
    writer = Writer.open(path, VirtualClock())
    run, segment = begin(writer, "NEW")
    writer.commit(rows(run, segment, COUNT))
    spoil(wal_of(path))
    if known:  # as a keeper is told by its watch
        writer.leave_log()
    for first in range(COUNT, 3 * COUNT, 20):
        writer.commit(rows(run, segment, 20, first=first))
    writer.close()
    assert whole(path)
    assert of_the_old(path) == COUNT


def test_a_sound_log_is_moved_as_before(path):
    with Writer.open(path, VirtualClock()) as writer:
        run, segment = begin(writer, "NEW")
        writer.commit(rows(run, segment, COUNT))
    assert not wal_of(path).exists()
    assert whole(path)


def test_an_index_that_is_gone_is_noticed_before_two_write(path):
    keeper = Writer.open(path, VirtualClock())
    run, segment = begin(keeper, "NEW")
    keeper.commit(rows(run, segment, COUNT))
    shm_of(path).unlink()
    python(VOID, path)
    assert not keeper.still_there()
    with pytest.raises(StoreError, match="deleted or replaced"):
        keeper.commit(rows(run, segment, 20, first=COUNT))
    rescued = keeper.rescue()
    keeper.commit(rows(run, segment, 20, first=COUNT))
    keeper.close()
    for one in (path, rescued):
        assert whole(one)
        assert of_the_old(one) == COUNT
    with closing(Reader.open(path)) as reader:
        assert reader.run(1).void
    with closing(Reader.open(rescued)) as reader:
        assert len(reader.columns_after(run)) == COUNT + 20
