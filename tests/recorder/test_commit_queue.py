"""Rows that the database cannot take yet: kept in order, told apart by identity."""

import pytest
from store.making import begin, fresh_writer, reading

from benchlog.clock import host_deadline
from benchlog.errors import StoreError, StoreRefusedError
from benchlog.recorder.run.commit_queue import CommitQueue
from benchlog.store.rows import Row
from benchlog.store.writer import Writer


class Watched(float):
    """A frequency that notices when it is compared by value."""

    def __eq__(self, other: object) -> bool:
        raise AssertionError("a waiting row was compared by value")

    __hash__ = float.__hash__


class OnFullDisk:
    """A writer on a disk that fills up: the first rows go in, then nothing does."""

    def __init__(self, writer: Writer, room: int) -> None:
        self._writer, self._room, self.path = writer, room, writer.path

    def commit(self, rows) -> None:
        if len(rows) > 1:
            raise StoreRefusedError("one of them can never be stored")
        if not self._room:
            raise StoreError("no room on the disk")
        self._room -= 1
        self._writer.commit(rows)


@pytest.fixture
def writer(tmp_path):
    yield from fresh_writer(tmp_path)


def waiting(run: int, segment: int, count: int) -> list[Row]:
    return [
        (run, segment, reading(i, mono_ns=10**9, frequency_hz=Watched(8e6)))
        for i in range(count)
    ]


def test_waiting_rows_are_told_apart_without_comparing_them(writer) -> None:
    run, segment = begin(writer)
    queue = CommitQueue(OnFullDisk(writer, room=1_000))
    rows = waiting(run, segment, 20_000)
    for row in rows:
        queue.add(row)
    limit = host_deadline(20.0)  # comparing each with each took minutes
    outcome = queue.commit_if_due(now=True)
    assert not limit.passed
    assert [id(row) for row in outcome.rows] == [id(row) for row in rows[:1_000]]
    assert queue.waiting == 19_000


def test_a_row_like_one_that_waits_is_done_all_the_same(writer) -> None:
    run, segment = begin(writer)
    queue = CommitQueue(OnFullDisk(writer, room=1))
    twins = [(run, segment, reading(1)), (run, segment, reading(1))]
    for row in twins:
        queue.add(row)
    outcome = queue.commit_if_due(now=True)
    assert len(outcome.rows) == 1, "equal by value, and only one of them is stored"
    assert queue.waiting == 1


class Puzzling:
    """A writer that fails at each commit as nobody expects, until it is mended."""

    def __init__(self, writer: Writer) -> None:
        self._writer, self.path, self.mended = writer, writer.path, False

    def commit(self, rows) -> None:
        if not self.mended:
            raise ZeroDivisionError("nobody knows why")
        self._writer.commit(rows)


def test_where_no_row_goes_in_for_a_reason_nobody_expects_all_wait(writer) -> None:
    run, segment = begin(writer)
    puzzling = Puzzling(writer)
    queue = CommitQueue(puzzling)
    rows = waiting(run, segment, 20)
    for row in rows:
        queue.add(row)
    for _ in range(7):  # long enough for each row to be tried alone, twice
        outcome = queue.commit_if_due(now=True)
        assert isinstance(outcome.fault, ZeroDivisionError)
        assert not outcome.refused and queue.waiting == 20
    puzzling.mended = True
    outcome = queue.commit_if_due(now=True)
    assert [id(row) for row in outcome.rows] == [id(row) for row in rows]
