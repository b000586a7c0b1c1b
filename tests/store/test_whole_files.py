"""Files that appear whole: exclusively created, owner only, leftovers removed."""

import errno
import os
import signal
import stat
import subprocess
import sys
from contextlib import contextmanager
from pathlib import Path

import pytest
from store.making import begin
from store.processes import environment
from warm_program import Program

from benchlog.clock import VirtualClock
from benchlog.errors import BenchlogError, UsageError
from benchlog.recorder.launch import keeper_process, log_of
from benchlog.store.backup import back_up
from benchlog.store.reader import Reader
from benchlog.store.whole_files import created, finished, opened_to_append
from benchlog.store.writer import Writer


def rights(path):
    return stat.S_IMODE(path.stat().st_mode)


@contextmanager
def umask(mask):
    before = os.umask(mask)
    try:
        yield
    finally:
        os.umask(before)


@pytest.mark.parametrize("mask", [0o000, 0o022, 0o077, 0o777])
def test_owner_only_whatever_the_umask(tmp_path, mask):
    with umask(mask):
        os.close(created(tmp_path / "a"))
        os.close(opened_to_append(tmp_path / "b"))
        with finished(tmp_path / "c", overwrite=False, owner_only=True) as part:
            assert rights(part) == 0o600
        with finished(tmp_path / "d", overwrite=False) as part:
            assert rights(part) == 0o600
    assert [rights(tmp_path / name) for name in "abc"] == [0o600] * 3
    assert rights(tmp_path / "d") == 0o666 & ~mask


@pytest.mark.parametrize("where", ["nowhere", "file"])
def test_a_link_is_not_followed(tmp_path, where):
    precious = tmp_path / "file"
    precious.write_text("precious")
    link = tmp_path / "link"
    link.symlink_to(tmp_path / where)
    for way in (created, opened_to_append):
        with pytest.raises(OSError, match=r"exists|symbolic"):
            way(link)
    with pytest.raises(UsageError, match="exists"), finished(link, overwrite=False):
        pass
    twin = tmp_path / "twin"
    twin.hardlink_to(precious)
    with pytest.raises(OSError, match="our own"):
        opened_to_append(twin)
    part = tmp_path / f".out.{os.getpid()}.part"
    part.symlink_to(tmp_path / where)
    with (
        pytest.raises(BenchlogError, match="cannot be written"),
        finished(tmp_path / "out", overwrite=False),
    ):
        pass
    assert precious.read_text() == "precious"
    assert not (tmp_path / "nowhere").exists()


def test_a_pipe_in_the_place_of_a_file_holds_nothing_up(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(OSError, match=r"No such device|our own"):
        opened_to_append(tmp_path / "pipe")


HANG = """
import sys, threading
from pathlib import Path
from benchlog.store.whole_files import finished
with finished(Path(sys.argv[1]), overwrite=True) as part:
    part.write_text("half")
    print(part.resolve(), flush=True)
    threading.Event().wait()
"""


def hanging(out):
    process = Program(
        [sys.executable, "-c", HANG, str(out)],
        stdout=subprocess.PIPE,
        text=True,
        env=environment(),
    )
    return process, process.stdout.readline().strip()


def test_what_a_killed_export_left_is_removed_and_what_is_written_stays(tmp_path):
    out, other = tmp_path / "run.csv", tmp_path / "run.csv.2"
    killed, left = hanging(out)
    killed.kill()
    assert killed.wait(10) == -signal.SIGKILL
    busy, written = hanging(out)
    elsewhere, of_other = hanging(other)
    foreign = tmp_path / ".run.csv.notes.part"
    foreign.write_text("somebody's own")
    try:
        with finished(out, overwrite=False) as part:
            part.write_text("whole")
        assert out.read_text() == "whole"
        assert {str(path) for path in tmp_path.iterdir()} == {
            str(out), str(foreign), written, of_other,
        }  # fmt: skip
        assert left not in {written, of_other}
    finally:
        for process in (busy, elsewhere, killed):
            process.kill()
            process.wait(10)
            process.stdout.close()


def test_the_longest_name_works_and_a_longer_one_is_told(tmp_path):
    longest = tmp_path / ("é" * 125 + ".json")
    with finished(longest, overwrite=False) as part:
        part.write_text("whole")
    assert [path.name for path in tmp_path.iterdir()] == [longest.name]
    with (
        pytest.raises(UsageError, match="256 bytes, and a file's name may have 255"),
        finished(tmp_path / ("x" * 256), overwrite=False),
    ):
        pass
    deep = tmp_path.joinpath(*["d" * 200] * 25) / "run.csv"
    with pytest.raises(UsageError, match="too long"), finished(deep, overwrite=True):
        pass


def test_a_copy_and_its_own_files_that_a_killed_backup_left(tmp_path):
    out = tmp_path / "copy.db"
    killed, left = hanging(out)
    killed.kill()
    killed.wait(10)
    killed.stdout.close()
    for ending in ("-wal", "-shm", "-journal"):
        (tmp_path / (left + ending)).touch()
    with finished(out, overwrite=False):
        pass
    assert list(tmp_path.iterdir()) == [out]


# --- databases


@pytest.mark.parametrize("guarded", [False, True])
@pytest.mark.parametrize("mask", [0o000, 0o777])
def test_a_database_and_all_beside_it_is_its_owner_s(tmp_path, mask, guarded):
    path = tmp_path / "bench.db"
    with (
        umask(mask),
        Writer.open(path, VirtualClock(), guarded=guarded) as writer,
    ):
        begin(writer)
        back_up(path, tmp_path / "copy.db")
        found = {one.name: rights(one) for one in tmp_path.iterdir()}
        path.unlink()
        writer.rescue()
    assert set(found.values()) == {0o600}
    assert {"bench.db", "bench.db-wal", "bench.db-shm", "copy.db"} <= set(found)
    assert rights(path) == 0o600


def test_rights_that_a_person_gave_stay(tmp_path):
    path = tmp_path / "bench.db"
    Writer.open(path, VirtualClock()).close()
    path.chmod(0o640)
    Writer.open(path, VirtualClock()).close()
    assert rights(path) == 0o640


def test_a_database_behind_a_link_is_made_where_it_leads(tmp_path):
    (tmp_path / "disk").mkdir()
    link = tmp_path / "bench.db"
    link.symlink_to(tmp_path / "disk" / "bench.db")
    with umask(0o000):
        Writer.open(link, VirtualClock()).close()
    assert rights(tmp_path / "disk" / "bench.db") == 0o600


def test_a_keeper_s_log_is_its_owner_s_and_never_behind_a_link(tmp_path):
    database, precious = tmp_path / "bench.db", tmp_path / "precious"
    precious.write_text("precious")
    log_of(database).symlink_to(precious)
    with pytest.raises(BenchlogError, match="not a link"):
        keeper_process("no_such_module", (), database)
    log_of(database).unlink()
    with umask(0o000):
        process, stdout = keeper_process("no_such_module", (), database)
    process.stdin.close()
    process.wait(20)
    stdout.close()
    assert rights(log_of(database)) == 0o600
    assert precious.read_text() == "precious"


def test_what_sqlite_leaves_beside_a_copy_goes_with_it_on_a_full_disk(tmp_path):
    """Before, the journal of a copy that found no room stayed for good."""
    out = tmp_path / "backup.db"
    with (
        pytest.raises(BenchlogError) as told,
        finished(out, overwrite=False, owner_only=True) as part,
    ):
        Path(f"{part}-journal").write_bytes(b"half")
        raise OSError(errno.ENOSPC, "No space left on device")
    assert "free some space" in str(told.value)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("beside", ["", "-wal", "-shm", "-journal", "-lock"])
def test_no_other_file_takes_the_place_of_a_database(tmp_path, beside):
    """`results --out bench.db --overwrite` put its table where all runs were."""
    database = tmp_path / "bench.db"
    with Writer.open(database, VirtualClock()) as writer:
        begin(writer)
    before = database.read_bytes()
    out = tmp_path / f"bench.db{beside}"
    with (
        pytest.raises(UsageError, match="name another file"),
        finished(out, overwrite=True) as part,
    ):
        part.write_text("device,verdict\n")
    assert database.read_bytes() == before
    with finished(tmp_path / "bench.csv", overwrite=True) as part:
        part.write_text("device,verdict\n")


def test_a_copy_may_take_the_place_of_a_copy(tmp_path):
    database, copy = tmp_path / "bench.db", tmp_path / "copy.db"
    with Writer.open(database, VirtualClock()) as writer:
        begin(writer)
    for _ in range(2):
        back_up(database, copy, overwrite=True)


def test_a_database_made_meanwhile_is_left_there_too(tmp_path):
    """Before, what was begun before a run took the place of its database."""
    out = tmp_path / "bench.db"
    with (
        pytest.raises(UsageError, match="name another file"),
        finished(out, overwrite=True) as part,
    ):
        part.write_text("device,verdict\n")
        with Writer.open(out, VirtualClock()) as writer:
            run_id, _ = begin(writer)
    with Reader.open(out) as reader:
        assert reader.run(run_id).device
    assert not list(tmp_path.glob(".*.part"))


@pytest.mark.skipif(sys.platform != "linux", reason="no path leads to an open file")
@pytest.mark.parametrize("overwrite", [False, True])
def test_a_link_that_takes_a_part_s_place_leads_no_write_out(tmp_path, overwrite):
    """Before, what it leads to was written over: one in 40 exports, beside a racer."""
    precious, out_path = tmp_path / "precious", tmp_path / "run.csv"
    precious.write_text("kept")
    with (
        pytest.raises(BenchlogError, match="was exchanged by somebody"),
        finished(out_path, overwrite=overwrite) as part,
    ):
        (seen,) = tmp_path.glob(".run.csv.*.part")
        seen.unlink()
        seen.symlink_to(precious)
        part.write_text("readings")
    assert precious.read_text() == "kept"
    assert [one.name for one in tmp_path.iterdir()] == ["precious"]
