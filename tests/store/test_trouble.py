"""Databases that cannot be used: the right error, a clear sentence, nothing lost."""

import os
import shutil
import sqlite3
import subprocess
import tempfile
from pathlib import Path

import pytest
from store.making import begin, rows
from store.processes import environment, program, python
from tiers import seldom

from benchlog.clock import HostClock, VirtualClock
from benchlog.errors import StoreError, StoreFullError, StoreLockedError
from benchlog.store.files import wal_of
from benchlog.store.reader import Reader
from benchlog.store.writer import Writer


def opened(path):
    return Writer.open(path, VirtualClock())


@pytest.mark.parametrize(
    "content", [b"hello", b"# a text file\n" * 400, b"\x89PNG" * 99]
)
def test_a_file_that_is_no_database(tmp_path, content):
    path = tmp_path / "notes.txt"
    path.write_bytes(content)
    for open_it in (opened, Reader.open):
        with pytest.raises(StoreError, match=r"notes.txt is not a database.*--db"):
            open_it(path)
    assert path.read_bytes() == content
    assert [found.name for found in tmp_path.iterdir()] == ["notes.txt"]


def test_the_database_of_another_program(tmp_path):
    path = tmp_path / "other.db"
    with sqlite3.connect(path) as other:
        other.execute("create table mine (a)")
    other.close()
    before = path.read_bytes()
    for open_it in (opened, Reader.open):
        with pytest.raises(StoreError, match="of another program"):
            open_it(path)
    assert path.read_bytes() == before


def test_a_database_of_a_newer_version(tmp_path):
    path = tmp_path / "bench.db"
    opened(path).close()
    with sqlite3.connect(path) as plain:
        plain.execute("pragma user_version=99")
    plain.close()
    for open_it in (opened, Reader.open):
        with pytest.raises(StoreError, match=r"schema 99.*newer version.*update"):
            open_it(path)


def test_nothing_to_read(tmp_path):
    with pytest.raises(StoreError, match="no database"):
        Reader.open(tmp_path / "none.db")
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "empty.db").touch()
    with pytest.raises(StoreError, match="empty"):
        Reader.open(tmp_path / "empty.db")
    with pytest.raises(StoreError, match="is a folder"):
        Reader.open(tmp_path)


def test_an_empty_file_becomes_a_database(tmp_path):
    (tmp_path / "empty.db").touch()
    opened(tmp_path / "empty.db").close()
    Reader.open(tmp_path / "empty.db").close()


def test_folders_that_cannot_be(tmp_path):
    (tmp_path / "file").touch()
    with pytest.raises(StoreError, match="cannot be made"):
        opened(tmp_path / "file" / "bench.db")
    with pytest.raises(StoreError, match="is a folder"):
        opened(tmp_path)


AS_NOBODY = """
import os, sys
from pathlib import Path
from benchlog.clock import VirtualClock
from benchlog.errors import StoreError
from benchlog.store.reader import Reader
from benchlog.store.writer import Writer
if os.geteuid() == 0:
    os.setgid(65534)
    os.setuid(65534)
path = Path(sys.argv[1])
try:
    Writer.open(path, VirtualClock())
except StoreError as error:
    print(error)
with Reader.open(path) as reader:
    print(reader.latest_run().device)
"""


@pytest.fixture
def open_folder():
    """A folder that another user may enter.

    pytest's own are private, and each of its runs that begins makes them so again.
    """
    with tempfile.TemporaryDirectory(prefix="benchlog-open-") as name:
        folder = Path(name)
        folder.chmod(0o755)
        yield folder
        folder.chmod(0o755)


@pytest.mark.parametrize("what", [seldom("file"), "folder"])
def test_what_may_not_be_written_can_still_be_read(open_folder, what):
    path = open_folder / "bench.db"
    with opened(path) as writer:
        begin(writer, "D1")
    path.chmod(0o444)
    open_folder.chmod(0o777 if what == "file" else 0o555)
    said = python(AS_NOBODY, path).splitlines()
    assert "may not be written" in said[0]
    assert said[1] == "D1"


def test_another_writer_is_waited_for_briefly_and_named(tmp_path):
    path = tmp_path / "bench.db"
    writer = opened(path)
    run, segment = begin(writer)
    batch = rows(run, segment, 3)
    with program("hold.py", path) as holder:
        assert holder.stdout.readline() == b"held\n"
        began = HostClock().mono_ns()
        with pytest.raises(StoreLockedError, match="another program is writing"):
            writer.commit(batch)
        assert HostClock().mono_ns() - began < 1.5e9
        with Reader.open(path) as reader:
            assert reader.count(run) == 0
    writer.commit(batch)
    writer.close()
    with Reader.open(path) as reader:
        assert reader.count(run) == 3


@pytest.mark.parametrize("how", ["removed", "replaced", "moved", "log removed"])
def test_a_database_that_is_gone_swallows_nothing(tmp_path, how):
    path = tmp_path / "bench.db"
    writer = opened(path)
    run, segment = begin(writer)
    writer.commit(rows(run, segment, 2))
    assert writer.still_there()
    if how == "removed":
        path.unlink()
    elif how == "replaced":
        shutil.copy(path, tmp_path / "copy")
        os.replace(tmp_path / "copy", path)
    elif how == "moved":
        path.rename(tmp_path / "elsewhere.db")
    else:
        wal_of(path).unlink()
    assert not writer.still_there()
    with pytest.raises(StoreError, match="deleted or replaced"):
        writer.commit(rows(run, segment, 2, first=2))
    writer.close()


LIMITED = """
import resource, signal, sys
from pathlib import Path
from store.making import begin, rows
from benchlog.clock import HostClock, VirtualClock
from benchlog.errors import StoreFullError
from benchlog.store.writer import Writer
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
writer = Writer.open(Path(sys.argv[1]), VirtualClock())
run, segment = begin(writer)
limits = (600_000, resource.RLIM_INFINITY)
resource.setrlimit(resource.RLIMIT_FSIZE, limits)
safe, full = 0, 0
while full < 3:
    try:
        writer.commit(rows(run, segment, 50, first=safe))
        safe += 50
    except StoreFullError as error:
        full += 1
        if full == 1:
            print(error)
assert safe > 100
resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY,) * 2)
for _ in range(4):
    writer.commit(rows(run, segment, 50, first=safe))
    safe += 50
print(safe)
"""


def test_no_room_loses_nothing_and_the_same_writer_goes_on(tmp_path):
    path = tmp_path / "bench.db"
    said, safe = python(LIMITED, path).splitlines()
    assert "no room to write" in said
    with Reader.open(path) as reader:
        columns = reader.columns_after(1)
        seconds = (columns.mono_ns // 1_000_000_000).tolist()
        assert seconds == list(range(int(safe)))
    assert integrity(path) == "ok"


@pytest.fixture
def small_disk(tmp_path):
    """A real file system of 1 MB; needs root, else the test is skipped."""
    folder = tmp_path / "disk"
    folder.mkdir()
    words = ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(folder)]
    done = subprocess.run(words, capture_output=True, check=False)
    if done.returncode:
        pytest.skip("mounting a small file system needs root")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


def test_a_full_disk(small_disk):
    path = small_disk / "bench.db"
    writer = opened(path)
    run, segment = begin(writer)
    safe = 0
    with pytest.raises(StoreFullError, match="no room"):
        while True:
            writer.commit(rows(run, segment, 100, first=safe))
            safe += 100
    assert safe > 0
    with Reader.open(path) as reader:
        assert reader.count(run) == safe
    words = ["mount", "-o", "remount,size=8m", str(small_disk)]
    subprocess.run(words, check=True, env=environment())
    writer.commit(rows(run, segment, 100, first=safe))
    writer.close()
    with Reader.open(path) as reader:
        assert reader.count(run) == safe + 100
    assert integrity(path) == "ok"


def integrity(path):
    plain = sqlite3.connect(path)
    found = plain.execute("pragma integrity_check").fetchone()[0]
    plain.close()
    return found
