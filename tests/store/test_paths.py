import os
import shutil
import subprocess
import sys
import threading
from dataclasses import replace
from pathlib import Path

import pytest
from store.making import begin, rows

from benchlog.clock import VirtualClock
from benchlog.errors import StoreError
from benchlog.keepers import socket_of
from benchlog.store.backup import back_up
from benchlog.store.files import (
    default_database,
    forwarded_of,
    note_forwarded,
    wal_of,
)
from benchlog.store.opening import fold_log
from benchlog.store.reader import Reader
from benchlog.store.staging import staging_beside
from benchlog.store.writer import Writer


def test_the_variable_names_the_database():
    assert default_database({"BENCHLOG_DB": "/x/y.db"}) == Path("/x/y.db")
    home = default_database({"BENCHLOG_DB": "~/y.db"})
    assert home.is_absolute()


def test_else_it_is_in_the_users_data_folder():
    assert default_database({}).name == "benchlog.db"
    assert default_database({}).parent.name == "benchlog"


def test_a_pipe_in_the_place_of_the_note_of_forwarding_holds_nobody_up(tmp_path):
    database = tmp_path / "bench.db"
    os.mkfifo(forwarded_of(database))
    thread = threading.Thread(target=note_forwarded, args=(database,), daemon=True)
    thread.start()
    thread.join(2.0)
    assert not thread.is_alive()


def test_a_copy_may_have_a_name_that_is_no_text(tmp_path):
    database, to = tmp_path / "bench.db", tmp_path / os.fsdecode(b"copy-\xff.db")
    with Writer.open(database, VirtualClock()) as writer:
        run, segment = begin(writer)
        writer.commit(rows(run, segment, 3))
    assert back_up(database, to).readings == 3
    with Reader.open(to) as reader:
        assert len(reader.columns_after(run)) == 3


def test_what_only_looks_like_a_killed_import_hinders_none(tmp_path):
    database = tmp_path / "bench.db"
    Writer.open(database, VirtualClock()).close()
    odd = tmp_path / ".bench.db.\N{SUPERSCRIPT TWO}.import"
    odd.write_text("of somebody else")
    with staging_beside(database) as staging:
        assert staging.exists()
    assert odd.read_text() == "of somebody else"


def test_nothing_is_left_of_an_import_that_was_killed(tmp_path):
    """Before, its journal stayed for good."""
    database = tmp_path / "bench.db"
    Writer.open(database, VirtualClock()).close()
    before = sorted(tmp_path.iterdir())
    for ending in ("", "-wal", "-shm", "-journal", "-lock"):
        (tmp_path / f".bench.db.999999999.import{ending}").touch()
    with staging_beside(database):
        pass
    assert sorted(tmp_path.iterdir()) == before


def test_a_database_may_be_reached_through_a_link(tmp_path):
    """Before, each write through it told that the database was deleted or replaced."""
    (tmp_path / "disk").mkdir()
    database, link = tmp_path / "disk" / "bench.db", tmp_path / "bench.db"
    link.symlink_to(database)
    with Writer.open(link, VirtualClock()) as writer:
        assert writer.path == database
        run, segment = begin(writer)
        writer.commit(rows(run, segment, 3))
        with Writer.open(database, VirtualClock()) as another:
            another.commit(rows(run, segment, 2))
        writer.commit(rows(run, segment, 1))
    with Reader.open(link) as reader:
        assert len(reader.columns_after(run)) == 6
        kept = replace(reader.run(run), control="bench.db.7.sock")
    assert socket_of(kept, link) == tmp_path / "disk" / "bench.db.7.sock"
    link.unlink()
    link.symlink_to(link)
    with pytest.raises(StoreError):
        Writer.open(link, VirtualClock())


def test_a_file_with_two_names_is_written_under_neither(tmp_path):
    """Its log goes by the name: 4 imports beside a soak left none of the soak's rows.

    What is in it can still be read and copied, and a keeper that has it open goes on.
    """
    database, second = tmp_path / "bench.db", tmp_path / "linked.db"
    with Writer.open(database, VirtualClock()) as writer:
        run, segment = begin(writer)
        writer.commit(rows(run, segment, 3))
        second.hardlink_to(database)
        for name in (database, second):
            with pytest.raises(StoreError, match="second name"):
                Writer.open(name, VirtualClock())
        writer.commit(rows(run, segment, 2))
    with Reader.open(second) as reader:
        assert len(reader.columns_after(run)) == 5
    assert back_up(second, tmp_path / "copy.db").readings == 5
    second.unlink()
    Writer.open(database, VirtualClock()).close()


def test_a_look_at_a_copy_writes_nothing_into_another_copy(tmp_path):
    """Two nights' copies that share the database by a hard link, each with its log.

    Before, a list of one moved its log into both: the other one was damaged.
    """
    live, copies = tmp_path / "bench.db", [tmp_path / "1.db", tmp_path / "2.db"]
    Writer.open(live, VirtualClock()).close()
    shutil.copy(live, copies[0])
    copies[1].hardlink_to(copies[0])
    with Writer.open(live, VirtualClock()) as writer:
        for copy in copies:
            writer.commit(rows(*begin(writer), 300))
            shutil.copy(wal_of(live), wal_of(copy))
    for _ in range(2):
        for copy, runs in ((copies[1], 2), (copies[0], 1)):
            with Reader.open(copy) as reader:
                counts = [reader.count(run + 1) for run in range(runs)]
                assert counts == [300] * runs
            fold_log(copy)


MOUNTED = """
import pathlib, sys
from benchlog.clock import VirtualClock
from benchlog.store.writer import Writer
Writer.open(pathlib.Path(sys.argv[1]), VirtualClock())
"""


def test_a_file_that_is_mounted_alone_is_not_written(tmp_path):
    """As into a container. Before, three imports there beside a soak were all lost."""
    there = tmp_path / "in the container" / "bench.db"
    there.parent.mkdir()
    there.touch()
    Writer.open(tmp_path / "bench.db", VirtualClock()).close()
    script = 'mount --bind "$1" "$2" && exec "$3" -c "$4" "$2"'
    words = [tmp_path / "bench.db", there, sys.executable, MOUNTED]
    done = subprocess.run(
        ["unshare", "-rm", "sh", "-c", script, "sh", *words],
        check=False,
        capture_output=True,
        text=True,
        timeout=60,
    )
    if "unshare" in done.stderr or "mount:" in done.stderr:
        pytest.skip("nothing can be mounted here")
    assert "is a file mounted by itself" in done.stderr
    assert not wal_of(there).exists()


@pytest.mark.parametrize("end", ["-shm", "-wal"])
def test_what_is_linked_to_under_the_name_of_a_log_is_not_written_over(tmp_path, end):
    """A list of the database beside it was enough to spoil a file of a person's own."""
    database, own = tmp_path / "bench.db", tmp_path / "own.db"
    for path in (database, own):
        Writer.open(path, VirtualClock()).close()
    before = own.read_bytes()
    beside = database.with_name(database.name + end)
    beside.hardlink_to(own)
    for door in (Reader.open, lambda path: Writer.open(path, VirtualClock())):
        with pytest.raises(StoreError, match="second name"):
            door(database)
    assert own.read_bytes() == before


def test_a_copy_of_a_folder_by_hard_links_can_be_read(tmp_path):
    """`cp -al` beside a keeper: database, log and index have two names each."""
    database, copied = tmp_path / "bench.db", tmp_path / "copied"
    copied.mkdir()
    with Writer.open(database, VirtualClock()) as writer:
        run, segment = begin(writer)
        writer.commit(rows(run, segment, 3))
        for end in ("", "-wal", "-shm"):
            name = database.name + end
            (copied / name).hardlink_to(tmp_path / name)
        for path in (database, copied / database.name):
            with Reader.open(path) as reader:
                assert len(reader.columns_after(run)) == 3
