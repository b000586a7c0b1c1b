"""Rows that a database does not take: where they go, whatever is in their way."""

import errno
import json
import math
import os
import shutil
import stat
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
from store.making import begin, fresh_writer, reading

from benchlog.errors import StoreError
from benchlog.exchange.unsaved_import import bring_back
from benchlog.recorder.run import commit_queue as module
from benchlog.recorder.run import rows_aside
from benchlog.recorder.run.commit_queue import CommitQueue
from benchlog.store import unsaved_rows
from benchlog.store.reader import Reader
from benchlog.store.unsaved_rows import places_beside, rows_of_file, save_rows


@pytest.fixture
def writer(tmp_path):
    folder = tmp_path / "bench"
    folder.mkdir()
    yield from fresh_writer(folder)


class Stubborn:
    """The real writer, while `closed` of a database that takes nothing."""

    def __init__(self, writer):
        self._writer, self.path, self.closed = writer, writer.path, True
        self.room = 1_000

    def commit(self, rows):
        if self.closed or not self.room:
            raise StoreError("no room to write")
        self._writer.commit(rows)
        self.room -= 1

    def commit_missing(self, rows):
        if self.closed:
            raise StoreError("no room to write")
        return self._writer.commit_missing(rows)


def recovered(queue):
    """Commit until nothing waits; return what came of each attempt."""
    outcomes = []
    while queue.waiting:
        outcomes.append(queue.commit_if_due(now=True))
        assert len(outcomes) < 50
    return outcomes


def test_the_order_of_the_places(tmp_path):
    given = tmp_path / "given"
    found = list(places_beside(tmp_path / "bench.db", {"BENCHLOG_UNSAVED": str(given)}))
    assert found[0] == tmp_path
    assert found[1].name == "benchlog"
    assert found[2:] == [given, Path.home(), Path("/var/tmp")]


def test_a_user_without_a_home_has_places_all_the_same(monkeypatch, tmp_path):
    def homeless(*_, **__):
        raise RuntimeError("Could not determine home directory.")

    monkeypatch.setattr(unsaved_rows.platformdirs, "user_data_dir", homeless)
    monkeypatch.setattr(Path, "home", homeless)
    found = list(places_beside(tmp_path / "b.db", {"BENCHLOG_UNSAVED": "/given"}))
    assert found == [tmp_path, Path("/given"), Path("/var/tmp")]


@pytest.mark.parametrize("mask", [0o000, 0o777])
def test_they_are_their_owner_s(writer, tmp_path, mask):
    run, segment = begin(writer)
    rows = [(run, segment, reading(n)) for n in range(3)]
    before = os.umask(mask)
    try:
        path = save_rows(rows, writer.path, [tmp_path / "data"], None)
    finally:
        os.umask(before)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


@pytest.mark.parametrize("leads", ["precious", "nowhere"])
def test_no_link_is_followed_and_no_file_is_overwritten(writer, tmp_path, leads):
    run, segment = begin(writer)
    rows = [(run, segment, reading(n)) for n in range(3)]
    precious = tmp_path / "precious"
    precious.write_text("precious")
    name = f"benchlog-unsaved-{os.getpid()}"
    (tmp_path / f"{name}.jsonl").symlink_to(tmp_path / leads)
    (tmp_path / f"{name}-2.jsonl").write_text("precious")
    path = save_rows(rows, writer.path, [tmp_path], None)
    assert path == tmp_path / f"{name}-3.jsonl"
    path.unlink()
    path.symlink_to(precious)  # while we were away
    assert save_rows(rows, writer.path, [tmp_path], path) != path
    assert precious.read_text() == "precious"
    assert not (tmp_path / "nowhere").exists()


@pytest.mark.parametrize("what", ["garbage", "gone", "snapshot"])
def test_a_database_that_cannot_be_read_is_not_in_their_way(writer, tmp_path, what):
    run, segment = begin(writer)
    rows = [(run, segment, reading(n)) for n in range(3)]
    database = tmp_path / "damaged.db"
    if what == "garbage":
        database.write_bytes(b"\x00SQLite" * 1_000)
    path = save_rows(rows, database, [tmp_path / "aside"], None)
    assert tuple(rows_of_file(path)) == tuple(rows)


def test_rows_wait_in_a_file_as_well_and_it_goes_with_the_trouble(writer, monkeypatch):
    monkeypatch.setattr(module, "_ASIDE_S", 0.0)
    run, segment = begin(writer)
    stubborn = Stubborn(writer)
    queue = CommitQueue(stubborn)
    rows = [(run, segment, reading(n)) for n in range(30)]
    told = []
    for row in rows:
        queue.add(row)
        told.append(queue.commit_if_due(now=True))
    assert told[0].trouble == "no room to write"
    ((path,),) = [one.aside for one in told if one.aside]
    assert tuple(rows_of_file(path)) == tuple(rows)  # a kill here loses none, each once
    assert queue.waiting == 30
    stubborn.closed = False
    outcome = queue.commit_if_due(now=True)
    assert outcome.rows == tuple(rows)
    assert (outcome.recovered, queue.aside.files) == (True, [])
    assert not path.exists()
    with closing(Reader.open(writer.path)) as reader:
        assert reader.count(run) == 30


def test_a_full_memory_goes_aside_and_comes_back_each_row_once(writer, monkeypatch):
    monkeypatch.setattr(module, "_MOST_ROWS", 10)
    run, segment = begin(writer)
    stubborn = Stubborn(writer)
    queue = CommitQueue(stubborn)
    rows = [(run, segment, reading(n)) for n in range(25)]
    for row in rows:
        queue.add(row)
        queue.commit_if_due(now=True)
    assert (queue.aside.only, queue.waiting) == (20, 5)
    (path,) = queue.aside.files
    stubborn.closed = False
    monkeypatch.setattr(rows_aside, "_AT_ONCE", 7)
    outcomes = recovered(queue)
    assert (outcomes[-1].recovered, outcomes[-1].lost) == (True, 0)
    came = [row for outcome in outcomes for row in outcome.rows]
    assert came == rows  # in order, and the judge is fed
    with closing(Reader.open(writer.path)) as reader:
        assert reader.columns_after(run).mono_ns.tolist() == [
            row[2].mono_ns for row in rows
        ]
    assert not path.exists()


def test_a_kill_while_rows_are_aside_loses_none(writer, monkeypatch, tmp_path):
    """The keeper is gone: a person imports the file, whichever rows had come in."""
    monkeypatch.setattr(module, "_MOST_ROWS", 10)
    monkeypatch.setattr(module, "_ASIDE_S", 0.0)
    run, segment = begin(writer)
    queue = CommitQueue(Stubborn(writer))
    rows = [(run, segment, reading(n)) for n in range(25)]
    for row in rows:
        queue.add(row)
        queue.commit_if_due(now=True)
    writer.commit(rows[:3])  # a moment before the end
    (back,) = bring_back(queue.aside.files[0], writer)
    assert (back.readings, back.there) == (22, 3)
    with closing(Reader.open(writer.path)) as reader:
        assert reader.columns_after(run).mono_ns.tolist() == [
            row[2].mono_ns for row in rows
        ]


def test_a_file_that_is_gone_is_not_asked_for_for_ever(writer, monkeypatch):
    monkeypatch.setattr(module, "_MOST_ROWS", 10)
    run, segment = begin(writer)
    stubborn = Stubborn(writer)
    queue = CommitQueue(stubborn)
    for n in range(15):
        queue.add((run, segment, reading(n)))
    queue.aside.files[0].unlink()
    stubborn.closed = False
    recovered(queue)
    assert (queue.aside.due, queue.aside.only) == (False, 10)


def test_copies_stay_true_when_rows_go_in_alone(writer, monkeypatch):
    """One row is refused, the next ones go in, then the disk is full again."""
    monkeypatch.setattr(module, "_ASIDE_S", 0.0)
    run, segment = begin(writer)
    stubborn = Stubborn(writer)
    queue = CommitQueue(stubborn)
    rows = [(run, segment, reading(n)) for n in range(6)]
    rows[1] = (run, segment, reading(1, frequency_hz=math.nan))
    for row in rows[:4]:
        queue.add(row)
        queue.commit_if_due(now=True)
    assert queue.aside.copies == 4
    stubborn.closed, stubborn.room = False, 2
    queue.add(rows[4])
    (refused,) = queue.commit_if_due(now=True).refused
    assert refused[0] == rows[1]
    assert (queue.waiting, queue.aside.copies) == (2, 1)
    stubborn.closed = True
    queue.add(rows[5])
    assert queue.save_elsewhere()
    (back,) = bring_back(queue.aside.files[0], writer)
    assert (back.readings, back.there, back.rejected) == (3, 2, 1)
    with closing(Reader.open(writer.path)) as reader:
        assert reader.count(run) == 5


def test_a_place_that_fills_up_is_followed_by_the_next(writer, monkeypatch, tmp_path):
    """Two files: both are told, both come back."""
    monkeypatch.setattr(module, "_MOST_ROWS", 10)
    run, segment = begin(writer)
    stubborn = Stubborn(writer)
    queue = CommitQueue(stubborn)
    rows = [(run, segment, reading(n)) for n in range(25)]
    for row in rows[:15]:
        queue.add(row)
        queue.commit_if_due(now=True)
    (first,) = queue.aside.files
    held = first.rename(tmp_path / "held")
    first.mkdir()  # nothing can be appended there any more
    for row in rows[15:]:
        queue.add(row)
        queue.commit_if_due(now=True)
    first.rmdir()
    held.rename(first)
    assert len(queue.aside.files) == 2
    stubborn.closed = False
    files = list(queue.aside.files)
    came = [row for outcome in recovered(queue) for row in outcome.rows]
    assert came == rows
    assert not any(path.exists() for path in files)


def test_where_nothing_has_room_they_stay_and_are_told(writer, monkeypatch, tmp_path):
    monkeypatch.setattr(module, "_MOST_ROWS", 10)
    monkeypatch.setattr(rows_aside, "places_beside", lambda _: [Path("/dev/full")])
    run, segment = begin(writer)
    stubborn = Stubborn(writer)
    queue = CommitQueue(stubborn)
    for n in range(12):
        queue.add((run, segment, reading(n)))
        queue.commit_if_due(now=True)
    assert not queue.save_elsewhere()
    assert queue.waiting == 10
    stubborn.closed = False
    assert queue.commit_if_due(now=True).lost == 2


def test_a_disk_that_fails_in_the_middle_leaves_what_was_there(
    writer, monkeypatch, tmp_path
):
    run, segment = begin(writer)
    rows = [(run, segment, reading(n)) for n in range(3)]
    path = save_rows(rows, writer.path, [tmp_path], None)
    whole = path.read_bytes()

    def full(fd):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(unsaved_rows.os, "fsync", full)
    assert save_rows(rows, writer.path, [], path) is None
    assert path.read_bytes() == whole


@pytest.mark.skipif(not shutil.which("unshare"), reason="no user namespaces here")
# every suite: a really full one in test_full_disk.py, and the order of places
@pytest.mark.campaign
def test_one_full_disk_holds_database_home_and_temporary_folder(tmp_path):
    """A tmpfs of 64 KB of our own for all of them; the given place is elsewhere."""
    program = (
        "import sys\nfrom pathlib import Path\n"
        "from benchlog.model import Reading\n"
        "from benchlog.store.unsaved_rows import "
        "places_beside, rows_of_file, save_rows\n"
        "rows = [(1, 1, Reading(n, n, 1.0, 16e6)) for n in range(2000)]\n"
        "database = Path(sys.argv[1]) / 'bench.db'\n"
        "path = save_rows(rows, database, places_beside(database), None)\n"
        "print(path and path.parent, path and list(rows_of_file(path)) == rows)\n"
    )
    small, given = tmp_path / "small", tmp_path / "given"
    small.mkdir()
    inner = (
        'mount -t tmpfs -o size=64k none "$1" && mount --bind "$1" /var/tmp '
        '&& exec "$2" -c "$3" "$1"'
    )
    words = ["unshare", "--user", "--map-root-user", "--mount", "sh", "-c", inner]
    home = {"HOME": str(small), "XDG_DATA_HOME": str(small), "TMPDIR": str(small)}
    said = []
    for more in ({}, {"BENCHLOG_UNSAVED": str(given)}):
        done = subprocess.run(
            [*words, "sh", str(small), sys.executable, program],
            capture_output=True,
            text=True,
            timeout=30,
            check=False,
            env={**os.environ, **home, **more},
        )
        if "unshare" in done.stderr or "mount:" in done.stderr:
            pytest.skip(done.stderr.strip())
        assert not done.stderr
        said.append(done.stdout)
    assert said == ["None None\n", f"{given} True\n"]


ODD_FIELDS = [
    ("run", 10**30),
    ("run", 1.5),
    ("run", True),
    ("segment", -(10**30)),
    ("segment", "1"),
    ("record", {}),
    ("utc_ns", True),
    ("mono_ns", 2**63),
    ("gate_s", 10**30),
    ("frequency_hz", 10**400),
    ("frequency_hz", True),
    ("ambient_c", []),
    ("flags", -1),
    ("flags", 2**63),
    ("raw", {}),
    ("raw", {"base64": "AA=="}),
    ("raw", 5),
]


def test_lines_that_no_keeper_writes_are_counted_and_the_others_come_back(
    writer, tmp_path
):
    """The file could be anybody's; numbers and kinds of these ended `import`."""
    run, segment = begin(writer)
    writer.end_run(run, "stopped")
    kept = [(run, segment, reading(number)) for number in (1, 2)]
    path = save_rows(kept, writer.path, [tmp_path], None)
    head, good, other = path.read_text().splitlines()
    odd = [json.dumps(json.loads(good) | {name: value}) for name, value in ODD_FIELDS]
    path.write_text("\n".join((head, *odd, other)) + "\n")
    (back,) = bring_back(path, writer, again=True)
    assert (back.readings, back.rejected) == (1, len(ODD_FIELDS))
    with closing(Reader.open(writer.path)) as reader:
        assert reader.run(run).readings == 1
