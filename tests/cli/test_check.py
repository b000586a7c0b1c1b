"""`benchlog check`: what is wrong with a database, and what every list makes of it."""

import json
import os
import sqlite3

import pyarrow as pa
import pytest
from click.testing import CliRunner
from pyarrow import parquet as pq
from store.making import begin, rows

from benchlog.cli import root
from benchlog.clock import VirtualClock
from benchlog.model import Purpose
from benchlog.recorder.run.resume import find_last
from benchlog.store.backup import back_up
from benchlog.store.writer import Writer

BAD = 3


@pytest.fixture
def database(tmp_path):
    """Make a database with two soaks, and a third whose snapshot is `{}`."""
    path = tmp_path / "bench.db"
    with Writer.open(path, VirtualClock()) as writer:
        for device in ("D1", "D2"):
            run, segment = begin(writer, device, purpose=Purpose.SOAK, lot="L1")
            writer.commit(rows(run, segment, 20))
            writer.end_run(run, "interrupted")
    connection = sqlite3.connect(path)
    connection.execute(
        "insert into runs select ?, purpose, device_id, instrument_id, position, bench,"
        " nominal_hz, divider, simulated, started_utc_ns + 1, ended_utc_ns, ended_how,"
        " operator, note, software, '{}', resolution_hz, control, '' from runs limit 1",
        (BAD,),
    )
    connection.commit()
    connection.close()
    return path


def told(line, database, exit_code=0):
    done = CliRunner().invoke(root, [*line.split(), "--db", str(database)])
    assert done.exit_code == exit_code, done.stderr
    return done


@pytest.mark.parametrize(
    "line", ["runs --json", "devices --json", "export --dataset {}", "lots"]
)
def test_every_list_names_the_run_and_goes_on(database, tmp_path, line):
    done = told(line.format(tmp_path / "set"), database)
    assert f"run {BAD} is left out: the snapshot has no part" in done.stderr
    if "--json" in line:
        rows_ = json.loads(done.stdout)
        listed = {one["device"] for one in rows_}
        assert listed == {"D1", "D2"}


def test_a_dataset_names_it_each_time_and_has_the_others(database, tmp_path):
    line = f"export --dataset {tmp_path / 'set'}"
    for _ in range(2):  # the second time nothing has changed
        assert f"run {BAD} is left out" in told(line, database).stderr
    listed = told(f"runs --json --dataset {tmp_path / 'set'}", database)
    assert {one["device"] for one in json.loads(listed.stdout)} == {"D1", "D2"}
    told("check --repair", database)
    assert f"run {BAD} is left out: it is in quarantine" in told(line, database).stderr


def test_a_row_of_a_dataset_that_cannot_be_is_named(database, tmp_path):
    folder = tmp_path / "set"
    told(f"export --dataset {folder}", database)
    (path,) = (folder / "runs").rglob("*.parquet")
    table = pq.ParquetFile(path).read()
    rows_ = table.to_pylist()
    rows_[0]["device"] = None
    pq.write_table(pa.Table.from_pylist(rows_, schema=table.schema), path)
    for line in ("runs --json", "chips --lot L1 --json"):
        done = told(f"{line} --dataset {folder}", database)
        assert "is left out: a run without device" in done.stderr
        assert done.stdout.count('"device": "D2"') == 1


def test_a_soak_is_resumed_beside_it(database):
    assert find_last(database) == (2,)


def test_one_run_by_its_number_is_one_sentence(database):
    done = told(f"show {BAD}", database, exit_code=1)
    assert done.stderr.startswith(f"benchlog: run {BAD} cannot be read")


def test_repair_and_release(database):
    done = told("check --json", database, exit_code=1)
    (found,) = json.loads(done.stdout)["findings"]
    assert (found["record"], found["number"]) == ("run", BAD)
    assert "put into quarantine" in told("check --repair", database).stdout
    assert "quarantine" in told("check", database).stdout
    assert (
        f"run {BAD} is left out: it is in quarantine" in told("runs", database).stderr
    )
    told(f"check --release {BAD}", database)
    told("check", database, exit_code=1)


def test_overwritten_pages_are_told_with_what_to_do(database, tmp_path):
    data = bytearray(database.read_bytes())
    data[8192:-4096] = b"x" * (len(data) - 4096 - 8192)
    database.write_bytes(data)
    done = told("check", database, exit_code=1)
    assert "benchlog merge" in done.stdout


def test_a_pipe_is_told_at_once(tmp_path):
    pipe = tmp_path / "pipe.db"
    os.mkfifo(pipe)
    for line in ("runs", "show 1", "check", "results"):
        assert "pipe" in told(line, pipe, exit_code=1).stderr
    assert "pipe" in told(f"merge {pipe}", tmp_path / "all.db", exit_code=1).stderr


def test_what_is_in_quarantine_here_ends_no_merge(database, tmp_path):
    """Before, a run there that had grown ended it: no file behind was merged."""
    other = tmp_path / "other.db"
    back_up(database, other)
    with Writer.open(database, VirtualClock()) as writer:
        writer.put_aside(("run", 1), "odd", "1")
    clock = VirtualClock(now_utc_ns=1_960_000_000 * 10**9)
    with Writer.open(other, clock) as writer:
        writer.resume_run(1)
        writer.commit(rows(1, writer.begin_segment(1), 5, first=100))
        writer.end_run(1, "stopped")
    merged = told(f"merge {other} --json", database)
    assert json.loads(merged.stdout)[0]["grown"] == {"1": 1}
