"""The way round SQLite's WAL bug: one file lock, no automatic checkpoints."""

import fcntl
import sqlite3

import pytest
from store.making import begin, connection_of, reading, rows
from store.processes import program, python
from tiers import seldom

from benchlog.clock import HostClock, VirtualClock
from benchlog.errors import StoreError, StoreLockedError
from benchlog.store.files import size_of, wal_of
from benchlog.store.reader import Reader
from benchlog.store.sqlite import is_fixed
from benchlog.store.writer import Writer


# From SQLite's own account of the bug, https://www.sqlite.org/wal.html (section 11)
# and the notes of releases 3.44.6, 3.50.7 and 3.51.3.
@pytest.mark.parametrize(
    ("version", "fixed"),
    [
        ("3.40.1", False),
        ("3.44.5", False),
        ("3.44.6", True),
        ("3.45.0", False),
        ("3.50.6", False),
        ("3.50.7", True),
        ("3.51.2", False),
        ("3.51.3", True),
        ("3.53.4", True),
        ("4.0.0", True),
    ],
)
def test_which_versions_are_free_of_the_bug(version, fixed):
    assert is_fixed(version) is fixed


def test_commits_wait_for_the_lock_file(tmp_path):
    path = tmp_path / "bench.db"
    with Writer.open(path, VirtualClock(), guarded=True) as writer:
        run, segment = begin(writer)
        with (tmp_path / "bench.db-lock").open() as other:
            fcntl.flock(other, fcntl.LOCK_EX)
            began = HostClock().mono_ns()
            for write in (
                lambda: writer.commit(rows(run, segment, 1)),
                writer.checkpoint,
            ):
                with pytest.raises(StoreLockedError, match="-lock"):
                    write()
            assert 0.3e9 < HostClock().mono_ns() - began < 3e9
        writer.commit(rows(run, segment, 1))


def test_the_log_is_moved_on_under_the_lock_only(tmp_path):
    path = tmp_path / "bench.db"
    with Writer.open(path, VirtualClock(), guarded=True) as writer:
        connection = connection_of(writer)
        assert connection.execute("pragma wal_autocheckpoint").fetchone()[0] == 0
        run, segment = begin(writer)
        sizes = []
        long = "n" * 1_200  # what they were read from, so that few make a long log
        for at in range(0, 16_000, 200):
            told = (reading(n, raw=long) for n in range(at, at + 200))
            writer.commit([(run, segment, one) for one in told])
            sizes.append(size_of(wal_of(path)))
        assert max(sizes) < 12_000_000  # all 16,000 would be 20 MB
        assert size_of(path) > 4_000_000


def test_a_link_in_the_place_of_the_lock_is_left_alone(tmp_path):
    other = tmp_path / "other"
    other.write_text("of somebody else")
    (tmp_path / "bench.db-lock").symlink_to(other)
    with pytest.raises(StoreError, match="-lock is a link"):
        Writer.open(tmp_path / "bench.db", VirtualClock(), guarded=True)
    assert other.read_text() == "of somebody else"


def test_nothing_is_locked_where_it_is_not_needed(tmp_path):
    with Writer.open(tmp_path / "bench.db", VirtualClock(), guarded=False):
        assert not (tmp_path / "bench.db-lock").exists()


WITHOUT = """
import sys
sys.modules["pysqlite3"] = None  # as where no wheel exists
from pathlib import Path
from benchlog.clock import HostClock, VirtualClock
from benchlog.store import sqlite
from benchlog.store.reader import Reader
from benchlog.store.writer import Writer
from store.making import begin, rows
import sqlite3
assert sqlite.sqlite3 is sqlite3
path = Path(sys.argv[1])
with Writer.open(path, VirtualClock()) as writer, Reader.open(path) as reader:
    run, segment = begin(writer)
    writer.commit(rows(run, segment, 3000))
    print(reader.count(run), len(reader.outline(run)), sqlite.FIXED, writer.path.name)
    assert (path.with_name(path.name + "-lock")).exists() is not sqlite.FIXED
"""


def test_the_library_of_python_itself_does(tmp_path):
    path = tmp_path / "bench.db"
    fixed = is_fixed(sqlite3.sqlite_version)
    assert python(WITHOUT, path).split() == ["3000", "3", str(fixed), "bench.db"]
    with Reader.open(path) as reader:
        assert reader.latest_run().readings == 3000


@pytest.mark.parametrize("guarded", [seldom("no"), "yes"])
def test_two_processes_write_runs_at_once(tmp_path, guarded):
    path = tmp_path / "bench.db"
    with (
        program("acknowledge.py", path, guarded, 1, 100) as one,
        program("acknowledge.py", path, guarded, 100, 4_000) as other,
    ):
        ends = [process.communicate(timeout=60)[0] for process in (one, other)]
        assert (one.returncode, other.returncode) == (0, 0)
    runs = [int(end.split()[1]) for end in ends]
    with Reader.open(path) as reader:
        for run, count in zip(runs, (100, 4_000), strict=True):
            columns = reader.columns_after(run)
            assert columns.mono_ns.tolist() == [i * 10**9 for i in range(count)]
            assert int(reader.outline(run).n.sum()) == reader.count(run) == count
