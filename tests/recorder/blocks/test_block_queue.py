"""Blocks on their way into the database: in order, kept through trouble, none lost."""

from contextlib import closing

import numpy as np
import pytest
from seeds import seeded_random
from store.making import begin, fresh_writer, reading

from benchlog.errors import StoreError, StoreRefusedError
from benchlog.model import Event
from benchlog.recorder.run import commit_queue as module
from benchlog.recorder.run.blocks.block_columns import stretches
from benchlog.recorder.run.commit_queue import CommitQueue
from benchlog.store.reader import Reader
from benchlog.store.reading_block import ReadingBlock
from benchlog.store.unsaved_rows import rows_of_file

SECOND = 10**9


@pytest.fixture
def writer(tmp_path):
    folder = tmp_path / "bench"
    folder.mkdir()
    yield from fresh_writer(folder)


class Stubborn:
    """The real writer; while it is `closed`, of a database that takes nothing."""

    def __init__(self, writer) -> None:
        self._writer, self.path, self.closed = writer, writer.path, False
        self.room = 1_000

    def commit(self, rows) -> None:
        self._spend()
        self._writer.commit(rows)

    def commit_block(self, run_id, segment_id, block) -> None:
        self._spend()
        self._writer.commit_block(run_id, segment_id, block)

    def commit_missing(self, rows):
        if self.closed:
            raise StoreError("no room to write")
        return self._writer.commit_missing(rows)

    def _spend(self) -> None:
        if self.closed or not self.room:
            raise StoreError("no room to write")
        self.room -= 1


def block_of(begin_n: int, count: int, *, gate_s=1e-5, ambient=False) -> ReadingBlock:
    n = np.arange(begin_n, begin_n + count)
    return ReadingBlock(
        utc_ns=10**18 + n,
        mono_ns=n,
        gate_s=gate_s,
        frequency_hz=16e6 + n,
        ambient_c=np.full(count, 23.5) if ambient else None,
        flags=np.zeros(count, np.int64),
        raw=None,
    )


def numbers(path, run) -> list[int]:
    with closing(Reader.open(path)) as reader:
        return reader.columns_after(run).mono_ns.tolist()


def test_blocks_and_single_rows_go_in_in_their_order(writer) -> None:
    random = seeded_random("blocks in order")
    run, segment = begin(writer)
    other, its_segment = begin(writer, "D2")
    queue, at = CommitQueue(writer), {run: 0, other: 0}
    for _ in range(60):
        where = random.choice([(run, segment), (other, its_segment)])
        match random.randrange(4):
            case 0:
                row = reading(0, mono_ns=at[where[0]])
                at[where[0]] += 1
            case 1:
                row = Event(5, 6, "note", "é")
            case _:
                count = random.choice([1, 3, 1500])
                ambient = random.random() < 0.5
                row = block_of(at[where[0]], count, ambient=ambient)
                at[where[0]] += count
        queue.add((*where, row))
        if random.random() < 0.2:
            assert queue.commit_if_due(now=True).rows
            assert queue.waiting == 0
    queue.commit_if_due(now=True)
    assert numbers(writer.path, run) == list(range(at[run]))
    assert numbers(writer.path, other) == list(range(at[other]))


def test_what_waits_is_counted_in_readings(writer) -> None:
    run, segment = begin(writer)
    queue = CommitQueue(writer)
    queue.add((run, segment, block_of(0, 700)))
    queue.add((run, segment, Event(5, 6, "note", "x")))
    assert queue.waiting == 701


def test_blocks_of_one_stream_are_one_transaction_of_bounded_size() -> None:
    rows = [(1, 1, block_of(n * 20_000, 20_000)) for n in range(12)]
    rows.insert(3, (1, 1, Event(5, 6, "note", "x")))
    rows.append((1, 1, block_of(0, 5, gate_s=1.0)))
    parts = list(stretches(rows))
    assert [len(part) for part in parts] == [3, 1, 5, 4, 1]
    assert [row for part in parts for row in part] == rows


def test_what_was_stored_before_the_trouble_is_stored_once(writer) -> None:
    run, segment = begin(writer)
    stubborn = Stubborn(writer)
    queue = CommitQueue(stubborn)
    queue.add((run, segment, block_of(0, 500)))
    queue.add((run, segment, reading(0, mono_ns=500)))
    queue.add((run, segment, block_of(501, 500)))
    stubborn.room = 1
    outcome = queue.commit_if_due(now=True)
    assert outcome.trouble and len(outcome.rows) == 1
    assert queue.waiting == 501
    stubborn.room = 10
    assert queue.commit_if_due(now=True).recovered
    assert numbers(writer.path, run) == list(range(1001))


def test_a_database_that_stays_closed_has_its_blocks_in_a_file(
    writer, monkeypatch
) -> None:
    monkeypatch.setattr(module, "_ASIDE_S", 0.0)
    monkeypatch.setattr(module, "_LAST_RETRY_S", 0.0)
    monkeypatch.setattr(module, "_COPY_AT_ONCE", 1_000)
    run, segment = begin(writer)
    stubborn = Stubborn(writer)
    queue, stubborn.closed = CommitQueue(stubborn), True
    for n in range(5):
        queue.add((run, segment, block_of(n * 600, 600)))
    outcomes = [queue.commit_if_due(now=True) for _ in range(6)]
    assert sum(bool(outcome.trouble) for outcome in outcomes) == 1
    (file,) = queue.aside.files
    assert [row[2].mono_ns for row in rows_of_file(file)] == list(range(3_000))
    assert queue.waiting == 3_000  # in memory, too
    assert queue.save_elsewhere() and queue.waiting == 0
    stubborn.closed = False
    queue.add((run, segment, block_of(3_000, 600)))
    while queue.waiting:
        queue.commit_if_due(now=True)
    assert numbers(writer.path, run) == list(range(3_600))
    assert not file.exists()


def test_a_block_with_a_reading_that_cannot_be_stored_costs_that_one(writer) -> None:
    run, segment = begin(writer)
    queue = CommitQueue(writer)
    block = block_of(0, 50)
    block.frequency_hz[7] = -1.0
    queue.add((run, segment, block))
    queue.add((run, segment, block_of(50, 50)))
    outcome = queue.commit_if_due(now=True)
    ((row, why),) = outcome.refused
    assert row[2].mono_ns == 7 and "not above zero" in why
    assert numbers(writer.path, run) == [n for n in range(100) if n != 7]


def test_memory_is_bounded_and_what_found_no_room_is_counted(
    writer, monkeypatch
) -> None:
    monkeypatch.setattr(module, "MOST_WAITING", 1_000)
    monkeypatch.setattr(module.CommitQueue, "save_elsewhere", lambda _: False)
    run, segment = begin(writer)
    stubborn = Stubborn(writer)
    queue, stubborn.closed = CommitQueue(stubborn), True
    for n in range(10):
        queue.add((run, segment, block_of(n * 600, 600)))
    assert queue.waiting <= 2_600
    stubborn.closed = False
    assert queue.commit_if_due(now=True).lost == 6_000 - 2_400


def test_a_single_row_moves_no_blocks_aside(writer, monkeypatch) -> None:
    """A file of half a million rows takes many seconds, in which nobody is heard."""
    monkeypatch.setattr(module, "_MOST_ROWS", 100)
    run, segment = begin(writer)
    stubborn = Stubborn(writer)
    queue, stubborn.closed = CommitQueue(stubborn), True
    queue.add((run, segment, block_of(0, 600)))
    queue.add((run, segment, reading(0, mono_ns=600)))
    assert queue.waiting == 601 and not queue.aside.files


def test_refusing_all_of_them_names_each(writer) -> None:
    class Refusing(Stubborn):
        def _spend(self) -> None:
            raise StoreRefusedError("no")

    run, segment = begin(writer)
    queue = CommitQueue(Refusing(writer))
    queue.add((run, segment, block_of(0, 20)))
    outcome = queue.commit_if_due(now=True)
    assert len(outcome.refused) == 20 and queue.waiting == 0
