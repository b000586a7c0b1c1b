"""A record that is damaged, or that a stranger's program made, harms itself only."""

import json
import os
import shutil
from contextlib import closing
from itertools import islice
from pathlib import Path

import pytest
from store.making import begin, connection_of, reading, rows
from tiers import seldom

import benchlog
from benchlog.clock import VirtualClock
from benchlog.errors import (
    DataError,
    StoreDamagedError,
    StoreError,
    UnreadableRunError,
    UsageError,
)
from benchlog.exchange.export.run_export import export_run
from benchlog.exchange.import_file import import_file
from benchlog.exchange.import_options import ImportOptions
from benchlog.model import Purpose
from benchlog.store import sqlite
from benchlog.store.files import wal_of
from benchlog.store.integrity.examination import (
    HELD,
    examine,
    look_at_log,
    look_at_pages,
    repair,
)
from benchlog.store.integrity.log_check import log_state
from benchlog.store.integrity.quarantine import RUN
from benchlog.store.reader import Reader
from benchlog.store.snapshot import basis_from
from benchlog.store.writer import Writer

CORPUS = Path(__file__).parents[1] / "frozen" / "corpus"
COPIED = """
insert into runs select ?, purpose, device_id, instrument_id, position, bench,
  nominal_hz, divider, simulated, started_utc_ns, ended_utc_ns, ended_how, operator,
  note, software, ?, resolution_hz, control, '' from runs where id = 1
"""
BAD = 9


@pytest.fixture
def path(tmp_path):
    return tmp_path / "bench.db"


@pytest.fixture
def writer(path):
    with Writer.open(path, VirtualClock()) as writer:
        for device in ("D1", "D2"):
            run, segment = begin(writer, device, purpose=Purpose.SOAK)
            writer.commit(rows(run, segment, 5))
            writer.end_run(run, "stopped")
        yield writer


def with_snapshot(writer, change):
    """Add run 9, whose snapshot is that of run 1 with a change."""
    connection = connection_of(writer)
    (whole,) = connection.execute("select snapshot from runs where id = 1").fetchone()
    text = change if isinstance(change, str) else json.dumps(change(json.loads(whole)))
    connection.execute(COPIED, (BAD, text))


def without(*names):
    return lambda whole: {k: v for k, v in whole.items() if k not in names}


def other(place, value):
    def change(whole):
        inner = whole
        for name in place[:-1]:
            inner = inner[name]
        inner[place[-1]] = value
        return whole

    return change


SNAPSHOTS = {
    "the snapshot has no part": "{}",
    "instead of a table": "[]",
    "Expecting": "{",
    "NaN is no number": '{"part": NaN}',
    "nested too deeply": "[" * 100_000,
    "the snapshot has no timebase": without("timebase"),
    "part.nominal_hz is the text": other(("part", "nominal_hz"), "16 MHz"),
    "part.nominal_hz is -1": other(("part", "nominal_hz"), -1.0),
    "timebase.u_ppm is -0.1": other(("timebase", "u_ppm"), -0.1),
    "absurd size": other(("part", "limits", "tolerance_ppm"), 10**400),
    "limits.range_c is a whole number": other(("part", "limits", "range_c"), 5),
    "'glass' is not a valid Kind": other(("part", "kind"), "glass"),
    "identity.serial is missing instead": other(
        ("identities", "counter", "serial"), None
    ),
    "position.divider is 0": other(("bench", "positions", 0, "divider"), 0),
    "bench.instruments is a list": other(("bench", "instruments"), []),
    "snapshot.max_s is the text": other(("max_s",), "soon"),
}


@pytest.mark.parametrize("why", SNAPSHOTS)
def test_a_run_that_cannot_be_read_is_named_and_left_out(writer, path, why):
    with_snapshot(writer, SNAPSHOTS[why])
    with Reader.open(path) as reader:
        assert [run.id for run in reader.runs()] == [2, 1]
        assert why in reader.left_out[f"run {BAD}"]
        assert [run.id for run in reader.all_runs()] == [1, 2]
        assert [run.id for run in reader.found_runs(like="d")] == [2, 1]
        assert reader.latest_run().id == 2
        with pytest.raises(UnreadableRunError, match="check"):
            reader.run(BAD)
        assert reader.run(1).device == "D1"
    with benchlog.open(path) as records:
        assert [run.id for run in records.runs()] == [2, 1]


def test_a_device_that_is_gone_and_a_text_that_is_none_hide_no_run(writer, path):
    connection = connection_of(writer)
    connection.execute("pragma foreign_keys=off")
    connection.execute("drop trigger runs_keep_on_update")
    with_snapshot(writer, without())
    connection.execute("update runs set device_id = 77 where id = ?", (BAD,))
    connection.execute("update runs set note = cast(x'ff41' as text) where id = 2")
    with Reader.open(path) as reader:
        assert [(run.id, run.note) for run in reader.runs()] == [(2, r"\xffA"), (1, "")]
        assert "device" in reader.left_out[f"run {BAD}"]


def test_a_whole_number_that_was_written_as_a_float_is_one(tmp_path):
    """Run 6 of the corpus has a check whose end is 28.0 ns: `show` failed of it."""
    shutil.copy(CORPUS / "crystals.db", tmp_path)
    database = tmp_path / "crystals.db"
    with benchlog.open(database) as records:
        run = records.run(6)
        until = run.row.timebase.valid_until_utc_ns
        assert (until, type(until)) == (28, int)
        assert run.figures().as_dict()["run"] == 6


def test_every_snapshot_of_the_corpus_is_read():
    for database in sorted(CORPUS.glob("*.db")):
        with sqlite.connect_to_read(database, immutable=True) as connection:
            for (text,) in connection.execute("select snapshot from runs").fetchall():
                assert basis_from(json.loads(text))[0].id


# --- merge: what could not be read here stays there


def merged(tmp_path, writer):
    into = tmp_path / "all.db"
    writer.checkpoint()
    with Writer.open(into, VirtualClock()) as all_runs:
        done = all_runs.merge(writer.path)
    with Reader.open(into) as reader:
        found = [run.device for run in reader.runs()]
        assert reader.left_out == {}
    return done, found


@pytest.mark.parametrize(
    "why", [why if n % 5 == 0 else seldom(why) for n, why in enumerate(SNAPSHOTS)]
)
def test_a_merge_leaves_a_run_that_cannot_be_read_where_it_is(writer, tmp_path, why):
    with_snapshot(writer, SNAPSHOTS[why])
    done, found = merged(tmp_path, writer)
    assert found == ["D2", "D1"]
    assert list(done.left_out) == [f"run {BAD}"]
    assert why in done.left_out[f"run {BAD}"]


@pytest.mark.parametrize(
    ("sql", "why"),
    [
        ("update readings set frequency_hz = 9e999 where id = 3", "1|readings"),
        ("update readings set gate_s = -1 where id = 3", "1|readings"),
        ("update readings set flags = -1 where id = 3", "1|readings"),
        ("update readings set segment_id = 2 where id = 3", "1|segment of another run"),
        (
            "insert into verdicts values (null, 1, 0, 'fine', 1, 1, 1, 1, '', '{}')",
            "1|",
        ),
        (
            "insert into verdicts values (null, 1, 0, 'pass', 1, 1, 1, 7, '', '{}')",
            "1|",
        ),
        ("insert into verdicts values (null, 1, 0, 'pass', 1, 1, 1, 1, '', '{')", "1|"),
        ("update parts set body = '{}'", ""),
    ],
)
def test_a_merge_leaves_rows_that_cannot_be_where_they_are(writer, tmp_path, sql, why):
    connection = connection_of(writer)
    connection.execute("pragma ignore_check_constraints=on")
    connection.execute("drop trigger readings_keep_on_update")
    connection.execute(sql)
    done, found = merged(tmp_path, writer)
    if not why:
        assert found == []
        assert set(done.left_out) == {"part quartz-16mhz", "run 1", "run 2"}
        return
    run, _, said = why.partition("|")
    assert found == ["D2"]
    assert said in done.left_out[f"run {run}"]


def test_a_merge_brings_what_can_be_read_of_overwritten_pages(writer, path, tmp_path):
    run, segment = begin(writer, "D3")
    writer.commit(rows(run, segment, 3_000, first=100))
    writer.commit([(run, segment, reading(5_000, raw="needle"))])
    writer.commit(rows(run, segment, 3_000, first=6_000))
    writer.end_run(run, "stopped")
    writer.close()
    data = bytearray(path.read_bytes())
    with sqlite.connect_to_read(path) as connection:
        (size,) = connection.execute("pragma page_size").fetchone()
    page = data.find(b"needle") // size + 1
    data[(page - 1) * size : page * size] = b"\xff" * size
    path.write_bytes(data)
    assert any(one.kind == "file" and "merge" in one.todo for one in examine(path))
    assert look_at_pages(path)
    with Writer.open(tmp_path / "new.db", VirtualClock()) as new:
        done = new.merge(path)
    assert set(done.left_out) == {"run 3"}
    assert len(done.brought) == 2


def test_an_outline_that_lies_does_not_come_along(writer, tmp_path):
    run, segment = begin(writer, "D3")
    writer.commit(rows(run, segment, 1_100, first=100))
    writer.end_run(run, "stopped")
    connection_of(writer).execute("update outline set max_hz = 1e12, n = 7")
    merged(tmp_path, writer)
    with Reader.open(tmp_path / "all.db") as reader:
        assert reader.count(3) == 1_100
        assert reader.outline(3).max_hz.max() < 9e6


# --- check: what is wrong, put aside and taken back


def test_a_whole_database_has_no_finding(writer, path):
    assert examine(path) == []


def test_a_damaged_run_is_put_aside_and_comes_back(writer, path):
    with_snapshot(writer, "{}")
    (found,) = examine(path)
    assert found.record == (RUN, BAD)
    assert repair(writer, [found], "0.0") == [found]
    assert [one.kind for one in examine(path)] == [HELD]
    with Reader.open(path) as reader:
        assert [run.id for run in reader.runs()] == [2, 1]
        assert "quarantine" in reader.left_out[f"run {BAD}"]
    writer.release((RUN, BAD), "mended by hand", "0.0")
    assert [one.record for one in examine(path)] == [(RUN, BAD)]
    with pytest.raises(UsageError, match="nothing is"):
        writer.release((RUN, BAD), "once more", "0.0")
    (snapshot,) = (
        connection_of(writer)
        .execute("select snapshot from runs where id = ?", (BAD,))
        .fetchone()
    )
    assert snapshot == "{}"


def test_rows_that_are_missing_or_belong_to_nothing_are_found(writer, path):
    connection = connection_of(writer)
    connection.execute("pragma foreign_keys=off")
    connection.execute("drop trigger readings_keep_on_delete")
    connection.execute("delete from readings where id in (4, 5, 6)")
    connection.execute(
        "insert into events (run_id, utc_ns, mono_ns, kind, text, instrument)"
        " values (77, 0, 0, 'note', '', '')"
    )
    said = " ".join(one.what for one in examine(path))
    assert "readings has no rows 4 to 6" in said
    assert "a row of events of which there is nothing in runs" in said


def test_what_is_derived_is_made_anew(writer, path):
    run, segment = begin(writer, "D3")
    writer.commit(rows(run, segment, 1_100, first=100))
    connection_of(writer).execute("update outline set n = 5000")
    found = examine(path)
    assert [(one.kind, one.run) for one in found] == [("derived", run)]
    repair(writer, found, "0.0")
    assert examine(path) == []
    with Reader.open(path) as reader:
        assert reader.count(run) == 1_100


@pytest.mark.parametrize("at", [0, 9, 40, 20_000])
def test_a_log_that_was_overwritten_is_found(writer, path, at):
    log = wal_of(path)
    assert log_state(log).sound > 10
    assert look_at_log(path) == ""
    data = bytearray(log.read_bytes())
    data[at : at + 304] = b"garbled " * 38
    log.write_bytes(data)
    assert "overwritten" in look_at_log(path)
    (found, *_) = examine(path)
    assert "-wal" in found.todo


def test_the_check_sums_of_a_log_are_those_that_sqlite_writes(writer, path):
    """SQLite's own log, made by the library: every frame of it is sound."""
    for at in range(40):
        writer.commit([(1, 1, reading(at + 50))])
    state = log_state(wal_of(path))
    size = wal_of(path).stat().st_size
    page = connection_of(writer).execute("pragma page_size").fetchone()[0]
    assert state.sound == (size - 32) // (page + 24)
    assert not state.damaged
    writer.checkpoint()
    writer.commit([(1, 1, reading(100))])
    again = log_state(wal_of(path))
    assert 0 < again.sound < state.sound
    assert again.generation != state.generation


# --- databases of strangers


@pytest.mark.parametrize(
    ("sql", "why"),
    [
        (
            ("drop view readings_named", "drop table readings",
             "create view readings as select 1 as id"),
            "readings is a view",
        ),
        (
            ("drop view results", "create view results as with recursive n(i) as"
             " (select 1 union all select i + 1 from n) select i as run from n"),
            "the view results is not ours",
        ),
        (
            ("create trigger more after insert on readings begin"
             " insert into devices values (null, 'x', 'y', null); end",),
            "the trigger more",
        ),
        (
            ("drop table packed", "create table packed (run_id integer, first_id"
             " integer, last_id integer, n integer, body as (hex(n)) )"),
            "packed is of another kind",
        ),
    ],
)  # fmt: skip
def test_a_database_of_a_stranger_is_refused(writer, path, tmp_path, sql, why):
    connection = connection_of(writer)
    for one in sql:
        connection.execute(one)
    writer.close()
    with pytest.raises(StoreError, match=why):
        Reader.open(path)
    with pytest.raises(StoreError, match=why):
        Writer.open(path, VirtualClock())
    with (
        Writer.open(tmp_path / "all.db", VirtualClock()) as new,
        pytest.raises(StoreError, match=why),
    ):
        new.merge(path)


def test_tables_and_views_of_a_persons_own_are_left_alone(writer, path):
    connection = connection_of(writer)
    connection.execute("create table mine (a)")
    connection.execute("create view my_runs as select * from runs")
    with Reader.open(path) as reader:
        assert len(reader.runs()) == 2


def test_a_query_that_never_ends_is_ended(writer, path):
    connection = sqlite.connect_to_read(path)
    sqlite.QueryLimit(connection, 0.2)
    endless = "with recursive n(i) as (select 1 union all select i + 1 from n) "
    with pytest.raises(sqlite.SqliteError) as error:
        connection.execute(endless + "select sum(i) from n").fetchall()
    assert "too long" in str(sqlite.store_error(error.value, path))
    connection.close()


@pytest.mark.parametrize("beside", ["", "-wal", "-journal"])
def test_a_pipe_is_refused_at_once(writer, path, tmp_path, beside):
    writer.close()
    target = tmp_path / "pipe.db"
    if beside:
        shutil.copy(path, target)
    os.mkfifo(str(target) + beside)
    for opens in (Reader.open, lambda p: Writer.open(p, VirtualClock()), examine):
        with pytest.raises(StoreError, match=r"pipe|is no file"):
            opens(target)
    with pytest.raises(StoreError, match="is a folder"):
        Reader.open(tmp_path)
    with (
        Writer.open(tmp_path / "all.db", VirtualClock()) as new,
        pytest.raises(StoreError, match=r"pipe|is no file"),
    ):
        new.merge(target)


# --- imports: a file gives a run that can be read, or nothing


def first_line(change):
    lines = (CORPUS / "KX-0412.jsonl").read_text("utf-8").splitlines()
    head = json.loads(lines[0])
    change(head)
    return "\n".join([json.dumps(head), *lines[1:]])


HEADS = {
    "a segment by no number": lambda head: head["segments"][0].update(id={}),
    "a resolution without bounds": lambda head: head.update(resolution_hz=2**80),
    "no resolution": lambda head: head.update(resolution_hz="fine"),
    "a limit that is a text": lambda head: head["snapshot"]["part"]["limits"].update(
        stability_ppm="30"
    ),
    "a check beyond all time": lambda head: head["snapshot"]["timebase"].update(
        valid_until_utc_ns=10**30
    ),
    "identities in a list": lambda head: head["snapshot"].update(identities=[1]),
}


@pytest.mark.parametrize("what", HEADS)
def test_a_damaged_head_leaves_nothing(writer, path, tmp_path, what):
    file = tmp_path / "given.jsonl"
    file.write_text(first_line(HEADS[what]))
    counts = "select (select count(*) from runs), (select count(*) from parts)"
    before = connection_of(writer).execute(counts).fetchone()
    try:
        import_file(file, writer, VirtualClock())
    except DataError as error:
        assert "damaged" in str(error)
        assert connection_of(writer).execute(counts).fetchone() == before
    with Reader.open(path) as reader:
        assert list(reader.all_runs())
        assert reader.left_out == {}
    assert not [one for one in tmp_path.iterdir() if one.name.startswith(".")]


def test_an_event_that_is_no_text_is_a_line_that_gave_nothing(writer, tmp_path):
    lines = (CORPUS / "KX-0412.jsonl").read_text("utf-8").splitlines()
    at = next(n for n, line in enumerate(lines) if '"row": "event"' in line)
    event = {**json.loads(lines[at]), "text": 0.5}
    file = tmp_path / "given.jsonl"
    file.write_text("\n".join([*lines[:at], json.dumps(event), *lines[at + 1 :]]))
    result = import_file(file, writer, VirtualClock())
    assert result.rejected
    assert result.readings


def test_what_a_killed_import_left_goes_with_the_next(writer, path, tmp_path):
    left = path.with_name(f".{path.name}.{2**22 + 1}.import")
    left.write_bytes(b"half")
    mine = path.with_name(f".{path.name}.{os.getppid()}.import")
    mine.write_bytes(b"of another that goes on")
    file = tmp_path / "f.txt"
    file.write_text("16000001.25\n" * 20)
    import_file(file, writer, VirtualClock(), ImportOptions(nominal_hz=16e6))
    assert not left.exists()
    assert mine.exists()


def test_readings_of_which_no_figure_comes_are_imported_all_the_same(writer, tmp_path):
    run, segment = begin(writer, "D3")
    odd = [(5e-324, 0.0), (1.7e308, 1e300), (1e30, 5e-324)]
    writer.commit(
        [
            (run, segment, reading(at, frequency_hz=hertz, gate_s=gate_s))
            for at, (hertz, gate_s) in enumerate(odd)
        ]
    )
    writer.end_run(run, "stopped")
    file = tmp_path / "odd.jsonl"
    with Reader.open(writer.path) as reader:
        export_run(reader, run, "jsonl", file)
        wish = ImportOptions(again=True)
        result = import_file(file, writer, VirtualClock(), wish)
        copied = reader.columns_after(result.run)
    assert copied.frequency_hz.tolist() == [hertz for hertz, _ in odd]


def test_rows_out_of_order_are_not_read_for_ever(tmp_path):
    """A tree whose leaves are not in order, as a cut or patched file may have it.

    The inner page of a table: https://www.sqlite.org/fileformat2.html, section 1.6:
    kind 5, its last leaf at byte 8, the places of its cells from byte 12; a cell begins
    with its leaf.
    """
    path = tmp_path / "a.db"
    with Writer.open(path, VirtualClock()) as writer:
        for number in range(3):
            begin(writer, f"KX-{number}")
    with closing(sqlite.connect_to_write(path)) as connection:
        connection.execute("pragma journal_mode=delete")
        (size,) = connection.execute("pragma page_size").fetchone()
        query = "select rootpage from sqlite_master where name = 'runs'"
        (root,) = connection.execute(query).fetchone()
    data = bytearray(path.read_bytes())
    at = size * (root - 1)
    assert data[at] == 5, "an inner page"
    cell = at + int.from_bytes(data[at + 12 : at + 14], "big")
    first, last = slice(cell, cell + 4), slice(at + 8, at + 12)
    data[first], data[last] = data[last], data[first]
    path.write_bytes(data)
    with Reader.open(path) as reader:
        for runs in (reader.all_runs(), reader.found_runs()):
            with pytest.raises(StoreDamagedError, match="rows of runs are not in the"):
                list(islice(runs, 100))
