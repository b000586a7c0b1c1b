"""Reading: exactly what was written, in short transactions, while others write."""

import json
import math
import sqlite3

import numpy as np
import pytest
from store.making import begin, clock_of, connection_of, reading, rows
from store.processes import program, python

from benchlog.errors import NotFoundError, UnreadableRunError
from benchlog.model import Event, EventKind, Flag, Purpose
from benchlog.store.reader import Reader
from benchlog.store.rows import VerdictRow
from benchlog.store.run_reader import RunReader


def test_columns_are_what_was_written(writer, reader):
    run, segment = begin(writer)
    written = [
        reading(0, utc_ns=None, ambient_c=None),
        reading(1, frequency_hz=8e6 + 2**-20, flags=Flag.GAP_BEFORE | Flag.SUSPECT),
        reading(2, utc_ns=2**63 - 1, mono_ns=-5, ambient_c=-40.125),
    ]
    writer.commit([(run, segment, one) for one in written])
    columns = reader.columns_after(run)
    assert columns.utc_ns.tolist() == [-1, written[1].utc_ns, 2**63 - 1]
    assert columns.mono_ns.tolist() == [0, 10**9, -5]
    assert columns.frequency_hz.tolist() == [one.frequency_hz for one in written]
    assert columns.flags.tolist() == [0, 18, 0]
    assert math.isnan(columns.ambient_c[0])
    assert columns.ambient_c[1:].tolist() == [26.0, -40.125]
    assert columns.segment.tolist() == [segment] * 3
    assert columns.id.dtype == columns.utc_ns.dtype == np.int64
    assert columns.frequency_hz.flags.c_contiguous


def test_only_what_is_new_is_read(writer, reader):
    run, segment = begin(writer)
    writer.commit(rows(run, segment, 10))
    first = reader.columns_after(run, limit=4)
    rest = reader.columns_after(run, int(first.id[-1]))
    assert (len(first), len(rest)) == (4, 6)
    assert reader.last_id(run) == int(rest.id[-1])
    assert len(reader.columns_after(run, reader.last_id(run))) == 0
    assert [len(chunk) for chunk in reader.chunks(run, 4)] == [4, 4, 2]


def test_runs_do_not_mix(writer, reader):
    one, two = begin(writer, "D1"), begin(writer, "D2", lot="L1")
    for at in range(5):
        writer.commit([*rows(*one, 2, 2 * at), *rows(*two, 1, at)])
    assert (reader.count(one[0]), reader.count(two[0])) == (10, 5)
    assert reader.columns_after(two[0]).mono_ns.tolist() == [
        i * 10**9 for i in range(5)
    ]
    assert [run.id for run in reader.runs()] == [two[0], one[0]]
    assert [run.id for run in reader.runs(device="D1")] == [one[0]]
    assert [run.id for run in reader.runs(part="quartz-16mhz", lot="L1")] == [two[0]]
    assert reader.runs(lot="L9") == []
    assert [run.id for run in reader.runs(limit=1)] == [two[0]]
    assert reader.latest_run().id == two[0]


def test_a_run_that_is_not_there(reader, writer):
    begin(writer)
    with pytest.raises(NotFoundError, match="no run '7'; known: 1"):
        reader.run(7)


def test_new_events_only(writer, reader):
    run, segment = begin(writer)
    for text in ("a", "b", "c"):
        writer.commit([(run, segment, Event(1, 1, EventKind.NOTE, text))])
    ids = [one for one, _ in reader.events(run)]
    assert [event.text for _, event in reader.events(run, ids[0])] == ["b", "c"]


def test_raw_texts(writer, reader):
    run, segment = begin(writer)
    texts = ["+1.6E7", None, ""]
    writer.commit([(run, segment, reading(i, raw=t)) for i, t in enumerate(texts)])
    ids = reader.columns_after(run).id.tolist()
    assert reader.raw_texts(run, ids) == {ids[0]: "+1.6E7", ids[2]: ""}
    assert reader.raw_texts(run, ids[:1]) == {ids[0]: "+1.6E7"}
    assert reader.raw_texts(run + 1, ids) == {}


@pytest.mark.parametrize("batch", [1, 100, 5000])
def test_the_outline_says_what_the_readings_say(writer, reader, batch):
    run, segment = begin(writer)
    count = 2 * 1024 + 300 if batch > 1 else 1100
    for at in range(0, count, batch):
        some = rows(run, segment, min(batch, count - at), at)
        writer.commit(some)
    check_outline(reader, run)
    stored = connection_of(writer).execute("select count(*) from outline").fetchone()[0]
    assert stored == count // 1024


def check_outline(reader, run):
    outline, columns = reader.outline(run), reader.columns_after(run)
    starts = range(0, len(columns), 1024)
    assert len(outline) == len(starts)
    for at, start in enumerate(starts):
        part = slice(start, start + 1024)
        hertz, ambient = columns.frequency_hz[part], columns.ambient_c[part]
        assert outline.n[at] == len(hertz)
        assert (outline.min_hz[at], outline.max_hz[at]) == (hertz.min(), hertz.max())
        assert outline.mean_hz[at] == pytest.approx(hertz.mean(), rel=1e-14)
        assert outline.ambient_mean_c[at] == pytest.approx(
            np.nanmean(ambient) if not np.isnan(ambient).all() else math.nan,
            nan_ok=True,
        )
        assert outline.flags[at] == np.bitwise_or.reduce(columns.flags[part])
        for name in ("utc_ns", "mono_ns"):
            whole = getattr(columns, name)[part]
            assert getattr(outline, f"t0_{name}")[at] == whole[0]
            assert getattr(outline, f"t1_{name}")[at] == whole[-1]
        assert outline.first_id[at] == columns.id[part][0]
        assert outline.last_id[at] == columns.id[part][-1]


def test_the_outline_ors_flags_and_bears_unknowns(writer, reader):
    run, segment = begin(writer)
    flags = {5: Flag.SUSPECT, 1000: Flag.GAP_BEFORE, 1500: Flag.SIMULATED}
    writer.commit(
        [
            (
                run,
                segment,
                reading(i, utc_ns=None, ambient_c=None, flags=flags.get(i, Flag.NONE)),
            )
            for i in range(2000)
        ]
    )
    outline = reader.outline(run)
    assert outline.flags.tolist() == [18, 1]
    assert np.isnan(outline.ambient_mean_c).all()
    assert outline.t0_utc_ns.tolist() == [-1, -1]
    check_outline(reader, run)


def test_runs_side_by_side_each_have_their_outline(writer, reader):
    one, two = begin(writer, "D1"), begin(writer, "D2")
    for at in range(0, 3000, 100):
        writer.commit([*rows(*one, 100, at), *rows(*two, 50, at)])
    for run, _ in (one, two):
        check_outline(reader, run)


def test_the_outline_is_worked_out_when_missing_and_rebuilt(writer, reader):
    run, segment = begin(writer)
    writer.commit(rows(run, segment, 3000))
    connection_of(writer).execute("delete from outline")
    assert reader.count(run) == 3000
    check_outline(reader, run)
    writer.rebuild_outline(run)
    stored = connection_of(writer).execute("select count(*) from outline").fetchone()[0]
    assert stored == 2
    writer.commit(rows(run, segment, 200, 3000))
    check_outline(reader, run)


def test_a_batch_that_fails_leaves_no_outline_behind(writer, reader):
    run, segment = begin(writer)
    writer.commit(rows(run, segment, 1000))
    bad = [*rows(run, segment, 100, 1000), (run, segment, reading(0, ambient_c=1e999))]
    for _ in range(2):
        with pytest.raises(Exception, match="ambient_c"):
            writer.commit(bad)
    assert len(reader.outline(run)) == 1
    writer.commit(rows(run, segment, 100, 1000))
    check_outline(reader, run)


def test_a_resumed_run_goes_on_with_its_outline(writer, reader):
    run, segment = begin(writer)
    writer.commit(rows(run, segment, 1500))
    with type(writer).open(writer.path, clock_of(writer)) as another:
        another.commit(rows(run, another.begin_segment(run), 1500, 1500))
    check_outline(reader, run)


def test_readers_never_hold_up_a_writer_and_outlive_it(tmp_path):
    path = tmp_path / "bench.db"
    with program("acknowledge.py", path, "no", 1) as keeper:
        run = int(keeper.stdout.readline().split()[1])
        keeper.stdout.readline()
        seen = 0
        with Reader.open(path) as looking:
            for _ in range(60):
                fresh = looking.columns_after(run, looking.last_id(run) - 5)
                seen = max(seen, int(fresh.mono_ns[-1]) // 10**9)
                assert looking.run(run).open
            keeper.kill()
            keeper.wait(20)
            assert looking.count(run) >= seen + 1
            assert len(looking.columns_after(run)) == looking.count(run)


def test_a_reader_knows_when_its_file_is_gone(writer, reader):
    assert reader.still_there()
    writer.path.rename(writer.path.with_name("away.db"))
    assert not reader.still_there()


def test_a_reader_cannot_write(reader):
    with pytest.raises(Exception, match="readonly"):
        connection_of(reader).execute("delete from runs")


NAMED = """
import json, sqlite3, sys
connection = sqlite3.connect(f"file:{sys.argv[1]}?mode=ro", uri=True)
connection.row_factory = sqlite3.Row
rows = connection.execute("select * from readings_named order by id").fetchall()
print(json.dumps([dict(row) for row in rows]))
"""


def test_any_sqlite_tool_sees_named_readings(writer):
    run, segment = begin(writer, "D-17", lot="L1")
    written = [
        reading(0, frequency_hz=8_000_240.0, raw="+8.00024E6"),
        reading(1, utc_ns=None, ambient_c=None, frequency_hz=7_999_926.0),
    ]
    writer.commit([(run, segment, one) for one in written])
    first, second = json.loads(python(NAMED, writer.path))
    said = {name: first[name] for name in ("device", "part", "lot", "position")}
    assert said == {
        "device": "D-17",
        "part": "quartz-16mhz",
        "lot": "L1",
        "position": "A",
    }
    assert (first["nominal_hz"], first["divider"], first["raw"]) == (
        16e6,
        2.0,
        "+8.00024E6",
    )
    # common practice, no source: 480 Hz of 16 MHz is 30 ppm, 148 Hz low is -9.25 ppm
    assert first["offset_raw_ppm"] == pytest.approx(30.0)
    assert second["offset_raw_ppm"] == pytest.approx(-9.25)
    assert first["utc"] == "2030-03-17T17:46:40.000000000Z"
    assert (second["utc"], second["ambient_c"]) == (None, None)


@pytest.mark.parametrize(
    "sql",
    [
        "update readings set frequency_hz = 1",
        "delete from readings",
        "update events set text = ''",
        "delete from events",
        "delete from conditions",
        "update edges set sequence = 1",
        "delete from verdicts",
        "update verdicts set word = 'pass'",
        "delete from runs",
        "update runs set snapshot = '{}'",
        "update runs set device_id = 2",
        "insert or replace into readings select * from readings",
    ],
)
def test_what_happened_is_never_changed(writer, sql):
    from benchlog.model import Condition, Edge

    run, segment = begin(writer)
    logged = (
        reading(0),
        Event(1, 1, EventKind.NOTE, "n"),
        Condition(1, 1, "voltage", 3.3, "V", "meter"),
        Edge("gps", 1, 1, 1),
    )
    writer.commit([(run, segment, one) for one in logged])
    writer.add_verdict(run, VerdictRow(word="pass"))
    with pytest.raises(Exception, match="are never"):
        connection_of(writer).execute(sql)
    stranger = sqlite3.connect(writer.path)
    try:
        if "replace" not in sql:  # that needs a pragma of the connection
            with pytest.raises(sqlite3.IntegrityError, match="are never"):
                stranger.execute(sql)
    finally:
        stranger.close()


def test_when_an_import_was_made_is_told_by_its_first_and_last_stamp(writer, reader):
    beginnings = []
    for stamps in [(5, 7, 9), (None, 7, 9), (5, 7, None), ()]:
        run, segment = begin(writer, purpose=Purpose.IMPORT)
        for at, utc_ns in enumerate(stamps):
            writer.commit([(run, segment, reading(at, utc_ns=utc_ns))])
        beginnings.append(reader.made_utc_ns(reader.run(run)))
    assert beginnings == [(5, 9), (None, None), (None, None), (None, None)]


def test_a_reader_over_another_reads_rows_and_notes_there_what_it_leaves_out(writer):
    run, segment = begin(writer)
    writer.commit(rows(run, segment, 3))
    with RunReader.open(writer.path) as runs:
        whole = Reader.over(runs)
        assert whole.columns_after(run).id.tolist() == [1, 2, 3]
        whole.leave_out(UnreadableRunError(7, "torn"))
        assert runs.left_out == {"run 7": "torn"}
