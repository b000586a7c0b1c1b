"""Databases on a disk without an octet left: read all the same where that is safe.

The disk is a limit to the size of files (setrlimit(2)): SQLite can make no index.
"""

import os
import subprocess
from contextlib import closing

import pytest
from store.making import COUNTER, TIMEBASE, plan
from tiers import seldom
from warm_program import PROGRAM, run

from benchlog.clock import HostClock
from benchlog.errors import StoreLockedError
from benchlog.store import sqlite
from benchlog.store.files import wal_of
from benchlog.store.reader import Reader
from benchlog.store.writer import Writer


@pytest.fixture
def database(tmp_path):
    with Writer.open(tmp_path / "bench.db", HostClock()) as writer:
        run_id = writer.begin_run(plan("D1"), {"counter": COUNTER}, TIMEBASE)
        writer.end_run(run_id, "stopped")
    for end in ("-wal", "-shm"):
        writer.path.with_name(writer.path.name + end).unlink(missing_ok=True)
    return writer.path


def without_room(*words):
    """Run a program whose files end after 512 octets; compiled ones would be cut, too.

    Python 3.11 takes what was written of them for whole.
    """
    return run(
        ["sh", "-c", 'ulimit -f 1; exec "$@"', "sh", *words],
        env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1"},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


@pytest.mark.parametrize("words", [["runs"], *map(seldom, (["show", "1"], ["check"]))])
def test_it_is_read_where_there_is_no_log(database, words):
    before = database.read_bytes()
    done = without_room(*PROGRAM, *words, "--db", str(database))
    assert done.returncode in (0, 4), done.stderr
    assert "D1" in done.stdout or "is whole" in done.stdout
    assert database.read_bytes() == before


def test_where_there_is_a_log_a_sentence_tells_what_to_do(database):
    log = wal_of(database)
    log.write_bytes(bytes(32))
    database.with_name(database.name + "-shm").unlink(missing_ok=True)
    done = without_room(*PROGRAM, "runs", "--db", str(database))
    assert done.returncode == 1
    assert "has a log" in done.stderr and "free 64 kB" in done.stderr
    assert log.read_bytes() == bytes(32)


def test_what_is_written_meanwhile_is_not_mixed_with_what_was_read(database):
    connection = sqlite.connect_to_settled(database)
    with closing(Reader(database, connection)) as reader:
        assert reader.run(1).device == "D1"
        with closing(Writer.open(database, HostClock())) as writer:
            writer.begin_run(plan("D2"), {"counter": COUNTER}, TIMEBASE)
            with pytest.raises(StoreLockedError, match="meanwhile"):
                reader.runs()
