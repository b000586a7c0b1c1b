"""What `import` tells of rows that come back into their run, and in which order."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from store.making import COUNTER, begin, reading

from benchlog.cli import root
from benchlog.cli.tasks.waiting_rows import bring_waiting_rows
from benchlog.clock import VirtualClock
from benchlog.model import Event, EventKind, Purpose, ReferenceCheck
from benchlog.recorder.run.commit_queue import CommitQueue
from benchlog.store.integrity.examination import examine
from benchlog.store.integrity.quarantine import RUN
from benchlog.store.reader import Reader
from benchlog.store.unsaved_rows import save_rows, whose_runs
from benchlog.store.writer import Writer


def brought_back(tmp_path, *, has_check: bool) -> str:
    """Return what is told as a reading comes back into a run, and what to do."""
    with Writer.open(tmp_path / "bench.db", VirtualClock()) as writer:
        run, segment = begin(writer, purpose=Purpose.REFCHECK)
        writer.commit([(run, segment, reading(0))])
        writer.end_run(run, "stopped")
        if has_check:
            writer.add_reference_check(
                ReferenceCheck(
                    instrument=COUNTER,
                    offset_ppm=0.1,
                    u_ppm=0.02,
                    method="pulses",
                    at_utc_ns=1,
                    valid_until_utc_ns=2,
                    run_id=run,
                )
            )
        file = save_rows([(run, segment, reading(1))], writer.path, [tmp_path], None)
    words = ["import", str(file), "--again", "--db", str(tmp_path / "bench.db")]
    done = CliRunner().invoke(root, words, catch_exceptions=False)
    assert done.exit_code == 0
    assert "1 reading" in done.stdout
    return done.stderr


@pytest.mark.parametrize("has_check", [True, False])
def test_a_check_that_was_found_without_what_came_back_is_told(tmp_path, has_check):
    told = brought_back(tmp_path, has_check=has_check)
    assert ("found without what came back" in told) is has_check
    assert ("benchlog void 1 --reason" in told) is has_check


@pytest.fixture
def cut(tmp_path) -> Path:
    """A soak of which the keeper was killed while its readings 10 to 29 waited."""
    path = tmp_path / "bench.db"
    with Writer.open(path, VirtualClock()) as writer:
        run, segment = begin(writer, purpose=Purpose.SOAK)
        writer.commit([(run, segment, reading(n)) for n in range(10)])
    for first, folder in ((10, "one"), (20, "two")):
        rows = [(run, segment, reading(n)) for n in range(first, first + 10)]
        assert save_rows(rows, path, [tmp_path / folder], None)
    return path


def waiting(cut: Path, number: str) -> Path:
    (file,) = (cut.parent / number).iterdir()
    return file


def given(*words: str):
    return CliRunner().invoke(root, words, catch_exceptions=False)


def order(path: Path) -> list[int]:
    with Reader.open(path) as reader:
        return reader.columns_after(1).mono_ns.tolist()


@pytest.fixture
def beside(cut, monkeypatch) -> Path:
    """The same with both files where they are looked for."""
    for number in ("one", "two"):
        file = waiting(cut, number)
        file.rename(cut.parent / f"benchlog-unsaved-{number}.jsonl")
    return cut


def test_rows_that_wait_come_in_before_a_soak_goes_on(beside, tmp_path):
    """They came behind those of the next segment: duration, gaps, drift were wrong."""
    ended = (1, 1, Event(40, 40 * 10**9, EventKind.ENDED, "time reached; 30 readings"))
    save_rows([ended], beside, [], tmp_path / "benchlog-unsaved-two.jsonl")
    told = given("soak", "--resume-last", "--no-screen", "--db", str(beside))
    assert told.stderr.count("10 rows of benchlog-unsaved-one.jsonl") == 1
    assert "no soak broke off" in told.stderr, "its end was in the file, too"
    assert len(order(beside)) == 30
    assert order(beside) == sorted(order(beside))
    assert examine(beside) == []
    again = given("soak", "--resume-last", "--no-screen", "--db", str(beside))
    assert "benchlog-unsaved" not in again.stderr


def test_a_link_is_no_file_of_ours(cut, tmp_path):
    (tmp_path / "benchlog-unsaved-1.jsonl").symlink_to(waiting(cut, "one"))
    bring_waiting_rows(cut)
    assert len(order(cut)) == 10


def test_a_later_file_waits_for_the_earlier_one(beside, tmp_path):
    one, two = (tmp_path / f"benchlog-unsaved-{n}.jsonl" for n in ("one", "two"))
    refused = given("import", str(two), "--db", str(beside))
    assert refused.exit_code == 2
    assert f"the rows in {one} are earlier and not in yet" in refused.stderr
    assert len(order(beside)) == 10
    for file in (one, two, one, two):
        done = given("import", str(file), "--db", str(beside))
        assert (done.exit_code, done.stderr) == (0, "")
    assert order(beside) == sorted(order(beside))


def test_readings_that_came_in_behind_later_ones_are_told_and_found(cut, tmp_path):
    with Writer.open(cut, VirtualClock()) as writer:
        segment = writer.begin_segment(1)
        writer.commit([(1, segment, reading(n)) for n in range(50, 60)])
    done = given("import", str(waiting(cut, "one")), "--db", str(cut))
    assert done.exit_code == 0
    assert "run 1: readings came in behind later ones" in done.stderr
    (found,) = examine(cut)
    assert "earlier than the one before" in found.what


def test_a_file_that_names_no_run_goes_into_no_other_database(cut, tmp_path):
    """A keeper that cannot read its database does not know whose rows they are."""
    file = waiting(cut, "one")
    head, *lines = file.read_text().splitlines()
    nameless = {**json.loads(head), "runs": {}}
    file.write_text("\n".join([json.dumps(nameless), *lines]) + "\n")
    with Writer.open(tmp_path / "other.db", VirtualClock()) as writer:
        run, segment = begin(writer, "ANOTHER", purpose=Purpose.SOAK)
        writer.commit([(run, segment, reading(0))])
    refused = given("import", str(file), "--db", str(tmp_path / "other.db"))
    assert refused.exit_code == 1
    assert "which is not in this database" in refused.stderr
    assert len(order(tmp_path / "other.db")) == 1
    done = given("import", str(file), "--db", str(cut))
    assert (done.exit_code, len(order(cut))) == (0, 20)


@pytest.fixture
def quarantined(tmp_path) -> tuple[Path, Path]:
    """A database whose run 1 is in quarantine, and a file of rows of both its runs."""
    path = tmp_path / "bench.db"
    with Writer.open(path, VirtualClock()) as writer:
        begun = [begin(writer, purpose=Purpose.SOAK) for _ in range(2)]
        writer.commit([(*of, reading(0)) for of in begun])
        whose = whose_runs([run for run, _ in begun], path)  # as a keeper knows them
        writer.put_aside((RUN, begun[0][0]), "a page of it is damaged", "test")
        rows = [(*of, reading(n)) for n in (1, 2) for of in begun]
        file = save_rows(rows, path, [tmp_path], None, whose)
    assert file is not None
    return path, file


def counts(path: Path) -> list[int]:
    with Reader.open(path) as reader:
        return [reader.count(run) for run in (1, 2)]


def test_rows_of_a_run_in_quarantine_hold_up_no_other_s(quarantined):
    path, file = quarantined
    done = given("import", str(file), "--db", str(path))
    assert done.exit_code == 0 and counts(path) == [1, 3]
    assert "run 1 cannot be read" in done.stderr and "stay in" in done.stderr
    assert given("check", str(path), "--release", "1").exit_code == 0
    assert given("import", str(file), "--db", str(path)).exit_code == 0
    assert counts(path) == [3, 3]


def test_they_come_before_the_other_run_goes_on(quarantined, capfd):
    path, _ = quarantined
    bring_waiting_rows(path)
    assert counts(path) == [1, 3]
    assert "run 2: 2 rows" in (said := capfd.readouterr().err)
    bring_waiting_rows(path)
    assert "brought back first" not in capfd.readouterr().err and "stay in" in said


def test_a_file_of_runs_in_quarantine_alone_is_refused(quarantined):
    path, file = quarantined
    with Writer.open(path, VirtualClock()) as writer:
        writer.put_aside((RUN, 2), "this one, too", "test")
    done = given("import", str(file), "--db", str(path))
    assert done.exit_code == 1 and "is in quarantine" in done.stderr
    assert counts(path) == [1, 1]


def put_back(path: Path) -> None:
    """Begin anew under the name of a database, with a run of another device."""
    for one in path.parent.glob(f"{path.name}*"):
        one.unlink()
    with Writer.open(path, VirtualClock(now_utc_ns=2 * 10**18)) as writer:
        run, segment = begin(writer, "ANOTHER", purpose=Purpose.SOAK)
        writer.commit([(run, segment, reading(0))])


def test_rows_of_a_damaged_database_go_into_no_run_of_the_one_in_its_place(tmp_path):
    """Before, resuming took them for those of another device that has the number."""
    path = tmp_path / "bench.db"
    with Writer.open(path, VirtualClock()) as writer:
        queue = CommitQueue(writer)
        run, segment = begin(writer, purpose=Purpose.SOAK)
        for n in range(10):
            queue.add((run, segment, reading(n)))
        queue.commit_if_due(now=True)
    path.write_bytes(b"garbage" * 1_000)
    assert queue.unproven.found_damaged().parent == tmp_path
    put_back(path)
    bring_waiting_rows(path)
    assert len(order(path)) == 1
    (file,) = tmp_path.glob("benchlog-unsaved-*.jsonl")
    refused = given("import", str(file), "--db", str(path))
    assert "which is not in this database" in refused.stderr
    assert len(order(path)) == 1


def test_a_file_that_names_no_run_is_not_brought_in_unasked(tmp_path, capsys):
    """Earlier versions wrote it where the database could not be read."""
    path = tmp_path / "bench.db"
    path.write_bytes(b"garbage" * 1_000)
    rows = [(1, 1, reading(n)) for n in range(1, 5)]
    assert save_rows(rows, path, [tmp_path], None)
    put_back(path)
    bring_waiting_rows(path)
    assert len(order(path)) == 1
    told = capsys.readouterr().err
    assert "does not tell whose rows they are" in told and "benchlog import" in told
