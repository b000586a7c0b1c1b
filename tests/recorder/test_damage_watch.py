"""A keeper notices that its database was overwritten, and writes rows aside."""

import sqlite3
from contextlib import closing

from store.making import begin, rows

from benchlog.clock import VirtualClock, host_sleep
from benchlog.recorder.damage_watch import DamageWatch
from benchlog.recorder.run.commit_queue import CommitQueue
from benchlog.store.files import wal_of
from benchlog.store.unsaved_rows import rows_of_file
from benchlog.store.writer import Writer


def found_by(watch):
    for _ in range(500):
        found = watch.look()
        if found is not None:
            return found
        host_sleep(0.01)
    raise AssertionError("the watch never looked")


def test_what_was_committed_since_the_last_look_goes_aside(tmp_path):
    path = tmp_path / "bench.db"
    with Writer.open(path, VirtualClock()) as writer:
        run, segment = begin(writer)
        queue, watch = CommitQueue(writer), DamageWatch(path, every_s=0.0)

        def commit(first, count):
            for row in rows(run, segment, count, first=first):
                queue.add(row)
            assert len(queue.commit_if_due(now=True).rows) == count

        for first in (0, 20):  # what came before a look that began later is proven
            commit(first, 20)
            assert found_by(watch) == ""
            queue.unproven.found_whole()
        commit(40, 20)
        log = wal_of(path)
        data = bytearray(log.read_bytes())
        data[-20_000:-10_000] = b"garbled ." + b"." * 9_991
        log.write_bytes(data)
        assert "overwritten" in found_by(watch)
        file = queue.unproven.found_damaged()
        assert [one[2].mono_ns // 10**9 for one in tuple(rows_of_file(file))] == [
            *range(20, 60)
        ]
        for row in rows(run, segment, 5, first=60):
            queue.add(row)
        queue.commit_if_due(now=True)
        assert len(tuple(rows_of_file(file))) == 45
    assert watch.looks == 2


def test_the_end_of_a_log_that_is_gone_is_noticed(tmp_path):
    path = tmp_path / "bench.db"
    with Writer.open(path, VirtualClock()) as writer:
        run, segment = begin(writer)
        for first in range(0, 100, 10):
            writer.commit(rows(run, segment, 10, first=first))
        watch = DamageWatch(path, every_s=0.0)
        assert found_by(watch) == ""
        log = wal_of(path)
        size = log.stat().st_size
        with log.open("r+b") as file:
            file.seek(size - 12_360)
            file.write(b"\0" * 12_360)
        assert "the last 3 pages of its log" in found_by(watch)


def test_pages_of_an_older_state_that_are_sound_each_are_noticed(tmp_path):
    """As where a copy is put back under a keeper: nothing told of it before."""
    path = tmp_path / "bench.db"
    with Writer.open(path, VirtualClock()) as writer:
        begin(writer, "D1")
    monday, states = path.read_bytes(), []
    for device in ("D2", "D3"):  # gone on with twice, from one state
        path.write_bytes(monday)
        with Writer.open(path, VirtualClock()) as writer:
            begin(writer, device)
        states.append(path.read_bytes())
    sql = "select rootpage from sqlite_master where name = 'runs_by_uid'"
    with closing(sqlite3.connect(path)) as link:
        ((page,),) = link.execute(sql).fetchall()
        ((size,),) = link.execute("pragma page_size").fetchall()
    assert found_by(DamageWatch(path, every_s=0.0)) == ""
    first, data = (page - 1) * size, bytearray(path.read_bytes())
    data[first : first + size] = states[0][first : first + size]
    path.write_bytes(data)
    assert "missing from index runs_by_uid" in found_by(DamageWatch(path, every_s=0.0))
