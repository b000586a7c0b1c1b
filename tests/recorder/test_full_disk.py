"""A disk that is full when a run ends: the last rows wait in a file, then come back."""

import json
import os
import shlex
import shutil
import subprocess
import sys
import tracemalloc
from contextlib import closing, suppress
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from ctrl_c import press_ctrl_c
from schemas_held import hold
from store.making import begin, clock_of, fresh_writer, reading, rows
from warm_program import PROGRAM, Program, run

from benchlog.cli import root
from benchlog.errors import DataError
from benchlog.exchange import unsaved_import
from benchlog.exchange.file_limits import USUAL, LimitError
from benchlog.exchange.import_file import verdict_by_all
from benchlog.exchange.unsaved_import import bring_back
from benchlog.model import Condition, Edge, Event, EventKind, Flag, Purpose
from benchlog.store.reader import Reader
from benchlog.store.unsaved_rows import rows_of_file, save_rows
from benchlog.store.writer import Writer

KEEP = """
import resource, sys
from pathlib import Path
from benchlog.clock import HostClock
from benchlog.recorder.keeper import keep
from benchlog.recorder.run import bookkeeper
import pickle
bookkeeper._LAST_TRY_S = 1.0  # this disk stays full
plan, database = pickle.load(open(sys.argv[1], "rb")), Path(sys.argv[2])
class Limit:
    seen = 0
    def __call__(self, told):
        if told.reading is not None:
            self.seen += 1
            if self.seen == 40:  # from now on no file grows beyond what the log has
                most = Path(f"{database}-wal").stat().st_size
                resource.setrlimit(resource.RLIMIT_FSIZE, (most, most))
keep([plan], database, HostClock(), tell=Limit())
"""


def all_rows(database, run):
    with closing(Reader.open(database)) as reader:
        columns = reader.columns_after(run)
        events = [event for _, event in reader.events(run)]
    return columns.mono_ns.tolist(), columns.frequency_hz.tolist(), events


def benchlog(*words):
    return run(
        [*PROGRAM, *words],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        stdin=subprocess.DEVNULL,
    )


def test_a_keeper_on_a_file_that_may_not_grow(plan_for, database, tmp_path):
    import pickle

    task = tmp_path / "plan"
    task.write_bytes(pickle.dumps(plan_for("stranger-steady", readings=120)))
    done = run(
        [sys.executable, "-c", KEEP, str(task), str(database)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    (saved,) = tmp_path.glob("benchlog-unsaved-*.jsonl")  # beside the database
    command = f"benchlog import {saved} --db {database}"
    assert f"`{command}`" in done.stderr
    times, _, before = all_rows(database, 1)
    assert 0 < len(times) < 120
    said = benchlog(*shlex.split(command)[1:], "--json")
    assert said.returncode == 0, said.stderr
    told = json.loads(said.stdout)
    hold(told)
    assert told["run"] == 1
    assert told["readings"] == 120 - len(times)
    times, values, events = all_rows(database, 1)
    assert len(times) == len(set(times)) == 120
    assert times == sorted(times)
    assert values == [16e6 + (-1) ** n for n in range(1, 121)]
    assert any(event.text.startswith("readings reached") for event in events), events
    assert len(events) > len(before)
    with closing(Reader.open(database)) as reader:
        ended = reader.run(1)
    assert (ended.open, ended.ended_how, ended.verdict) == (
        False,
        "readings reached",
        "pass",
    )
    again = json.loads(benchlog(*shlex.split(command)[1:], "--json").stdout)
    assert (again["readings"], again["others"]) == (0, 0)
    assert again["there"] == told["readings"] + told["others"]
    assert all_rows(database, 1) == (times, values, events)
    assert benchlog("show", "1", "--db", str(database), "--json").returncode in (0, 4)


@pytest.fixture
def writer(tmp_path):
    yield from fresh_writer(tmp_path)


def test_every_kind_of_row_comes_back_as_it_was(writer, tmp_path):
    run, segment = begin(writer)
    rows = [
        (run, segment, reading(0)),
        (run, segment, Event(5, 6, "rejected", "what?", "counter", b"\x00\xff+1.6E")),
        (run, segment, Event(5, 6, "note", "é\n\t\u2028", raw=None)),
        (run, segment, Condition(7, 8, "supply", 3.3, "V", "meter", Flag.SIMULATED)),
        (run, segment, Edge("gps", None, 9, 1, Flag.SUSPECT)),
    ]
    path = save_rows(rows, writer.path, [tmp_path], None)
    assert tuple(rows_of_file(path)) == tuple(rows)
    more = (run, segment, reading(1))
    assert save_rows([more], writer.path, [tmp_path], path) == path
    writer.commit([rows[1]])  # one of them had come in after all
    (first,) = bring_back(path, writer)
    assert (first.readings, first.edges, first.others, first.there) == (2, 1, 2, 1)
    (second,) = bring_back(path, writer)
    assert (second.readings, second.edges, second.others, second.there) == (0, 0, 0, 6)


def test_a_line_that_was_cut_off_is_told_and_the_others_come(writer, tmp_path):
    run, segment = begin(writer)
    rows = [(run, segment, reading(n)) for n in range(3)]
    path = save_rows(rows, writer.path, [tmp_path], None)
    os.truncate(path, path.stat().st_size - 20)
    (back,) = bring_back(path, writer)
    assert (back.readings, back.rejected) == (2, 1)


def test_they_come_back_piece_by_piece_and_within_the_limits_of_a_file(
    writer, tmp_path, monkeypatch
):
    run, segment = begin(writer)
    rows = [(run, segment, reading(n)) for n in range(9)]
    path = save_rows(rows, writer.path, [tmp_path], None)
    with path.open("a") as file:
        file.writelines([30 * 2**20 * "x", "\n", 2_000 * "[", "\n"])
    with pytest.raises(LimitError, match="--limit lines"):
        bring_back(path, writer, replace(USUAL, lines=9))
    with Reader.open(writer.path) as reader:
        assert reader.count(run) == 0
    monkeypatch.setattr(unsaved_import, "_AT_ONCE", 2)
    tracemalloc.start()
    (back,) = bring_back(path, writer)
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert (back.readings, back.there, back.rejected) == (9, 0, 2)
    assert most < 8 * 2**20, "a line of 30 MB is not held"
    (again,) = bring_back(path, writer)
    assert (again.readings, again.there, again.rejected) == (0, 9, 2)


def test_a_limit_that_is_raised_is_that_of_the_rows(writer, tmp_path):
    run, segment = begin(writer)
    rows = [(run, segment, reading(n)) for n in range(3)]
    path = save_rows(rows, writer.path, [tmp_path], None)
    line = ["import", str(path), "--db", str(writer.path), "--limit"]
    done = CliRunner().invoke(root, [*line, "lines=2"])
    assert done.exit_code != 0 and "--limit lines" in done.stderr
    done = CliRunner().invoke(root, [*line, "lines=4"])
    assert done.exit_code == 0 and "3 readings" in done.stdout, done.stderr


def test_a_run_that_was_over_without_them_is_judged_by_all_its_rows(writer, tmp_path):
    """Before, lists kept the verdict of the rows that a soak had when it was over.

    A soak is gone on with, and ends, before anybody brings back what an evening on a
    full disk had left beside it.
    """
    run, segment = begin(writer, purpose=Purpose.SOAK)
    told = Event(5, 6, EventKind.STORE_WAIT, "no room")
    writer.commit([(run, segment, told), *rows(run, segment, 20)])
    far_off = [reading(n, frequency_hz=8.002e6) for n in range(20, 40)]
    aside = [(run, segment, one) for one in far_off]
    path = save_rows(aside, writer.path, [tmp_path], None)
    writer.commit(rows(run, writer.begin_segment(run), 20, first=60))
    writer.end_run(run, "time reached")
    with Reader.open(writer.path) as reader:
        row = verdict_by_all(reader, reader.run(run))
        writer.add_verdict(run, row)
        assert (row.word, reader.run(run).told_readings) == ("pass", 40)
        bring_back(path, writer)
        judged = reader.run(run)
        assert (judged.verdict, judged.told_readings) == ("fail", 60)
        bring_back(path, writer)
        assert len(reader.verdicts(run)) == 2


def test_rows_of_another_database_are_refused(writer, tmp_path):
    run, segment = begin(writer)
    path = save_rows([(run, segment, reading(0))], writer.path, [tmp_path], None)
    other = Writer.open(tmp_path / "other.db", clock_of(writer))
    with closing(other), pytest.raises(DataError, match="not in this database"):
        bring_back(path, other)
    text = path.read_text()
    path.write_text(text.replace('["', '["another ', 1))
    with pytest.raises(DataError, match="not in this database"):
        bring_back(path, writer)


def test_a_run_that_lacks_no_rows_takes_none_of_a_stranger_s(writer, tmp_path):
    """Whoever hands over a file to import knows the number of some run of mine."""
    run, segment = begin(writer)
    writer.commit([(run, segment, reading(0))])
    writer.end_run(run, "readings reached")
    path = save_rows([(run, segment, reading(1))], writer.path, [tmp_path], None)
    head, rows = path.read_text().split("\n", 1)
    path.write_text(f"{json.dumps({**json.loads(head), 'runs': {}})}\n{rows}")
    with pytest.raises(DataError, match="lacks no rows"):
        bring_back(path, writer)
    assert len(all_rows(writer.path, run)[0]) == 1
    (back,) = bring_back(path, writer, again=True)
    assert back.readings == 1
    events = all_rows(writer.path, run)[2]
    assert events[-1].text == f"rows brought back from {path.name}: 1"


def test_only_a_file_of_a_keeper_s_name_goes_into_runs_that_are_here(writer, tmp_path):
    run, segment = begin(writer)
    path = save_rows([(run, segment, reading(0))], writer.path, [tmp_path], None)
    with pytest.raises(DataError, match="give it that name again"):
        bring_back(path.rename(tmp_path / "phase.csv"), writer)


@pytest.mark.parametrize(
    "line",
    ["[" * 200_000, '{"run": 1e999, "segment": 1, "record": "reading"}', "1" * 5_000],
    ids=["deep", "endless", "long"],
)
def test_a_line_that_no_keeper_writes_is_counted(writer, tmp_path, line):
    run, segment = begin(writer)
    path = save_rows([(run, segment, reading(0))], writer.path, [tmp_path], None)
    path.write_text(f"{path.read_text()}{line}\n")
    (back,) = bring_back(path, writer)
    assert (back.readings, back.rejected) == (1, 1)
    path.write_text(f'{{"benchlog_unsaved_rows": 1, "runs": {line}\n')
    with pytest.raises(DataError, match="first line"):
        bring_back(path, writer)


def test_a_run_that_is_still_kept_is_refused(plan_for, database, clock, tmp_path):
    from benchlog.recorder.keeper import keep

    refused = []

    def onlooker(told):
        if told.reading is None or refused:
            if refused and refused[0].poll() is not None:
                press_ctrl_c()
            return
        copy = tmp_path / "rows"
        copy.mkdir()
        row = (told.run_id, 1, told.reading)
        path = save_rows([row], database, [copy], None)
        asked = Program(
            [*PROGRAM, "import", str(path), "--db", str(database)],
            stderr=subprocess.PIPE,
            text=True,
        )
        refused.append(asked)

    plan = plan_for("stranger-steady", readings=600, max_s=30.0)
    with suppress(KeyboardInterrupt):
        keep([plan], database, clock, tell=onlooker)
    assert refused[0].wait(30) == 2
    assert "still being kept" in refused[0].stderr.read()
    refused[0].stderr.close()


def test_where_the_first_place_has_no_room_the_next_one_is_taken(writer, tmp_path):
    run, segment = begin(writer)
    rows = [(run, segment, reading(n)) for n in range(50)]
    full, data = Path("/dev/full"), tmp_path / "data" / "benchlog"
    path = save_rows(rows, writer.path, [full, data], None)
    assert path.parent == data
    assert tuple(rows_of_file(path)) == tuple(rows)
    assert save_rows(rows, writer.path, [full], None) is None


@pytest.mark.skipif(not shutil.which("unshare"), reason="no user namespaces here")
def test_a_file_system_that_is_really_full(tmp_path):
    """A tmpfs of 64 KB of our own: what does not fit whole leaves nothing behind."""
    program = (
        "import sys\nfrom pathlib import Path\n"
        "from benchlog.model import Reading\n"
        "from benchlog.store.unsaved_rows import save_rows\n"
        "small, large = Path(sys.argv[1]), Path(sys.argv[2])\n"
        "rows = [(1, 1, Reading(n, n, 1.0, 16e6)) for n in range(2000)]\n"
        "path = save_rows(rows, small / 'bench.db', [small, large], None)\n"
        "print(path.parent == large, list(small.iterdir()))\n"
    )
    small, large = tmp_path / "small", tmp_path / "large"
    small.mkdir()
    inner = 'mount -t tmpfs -o size=64k none "$1" && exec "$2" -c "$3" "$1" "$4"'
    words = ["unshare", "--user", "--map-root-user", "--mount", "sh", "-c", inner]
    done = subprocess.run(
        [*words, "sh", str(small), sys.executable, program, str(large)],
        capture_output=True,
        text=True,
        timeout=30,
        check=False,
    )
    if "unshare" in done.stderr or "mount:" in done.stderr:
        pytest.skip(done.stderr.strip())
    assert done.stdout == "True []\n", done.stderr
