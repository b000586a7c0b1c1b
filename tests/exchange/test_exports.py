"""Exports: whole or not at all, safe to open, and back without a bit lost."""

import csv
import io
import json
import math
import os
from decimal import Decimal

import pytest
from ctrl_c import press_ctrl_c
from hypothesis import given, settings
from hypothesis import strategies as st
from store.making import TIMEBASE, begin, plan, reading, rows

from benchlog.clock import VirtualClock
from benchlog.errors import BenchlogError, DataError, NotFoundError, UsageError
from benchlog.exchange.export.reading_texts import utc_text
from benchlog.exchange.export.run_export import export_run
from benchlog.exchange.import_file import import_file
from benchlog.exchange.import_options import ImportOptions
from benchlog.exchange.spreadsheet_cells import (
    cell,
    comment,
    comment_of,
    text_of,
)
from benchlog.model import (
    Condition,
    Edge,
    Event,
    EventKind,
    Flag,
    Purpose,
    Reading,
)
from benchlog.store.logged_tables import LOGGED
from benchlog.store.reader import Reader
from benchlog.store.rows import Amendment, Segment, VerdictRow
from benchlog.store.writer import Writer

TEXTS = ("csv", "jsonl")
FORMATS = (*TEXTS, "parquet")
AGAIN = ImportOptions(again=True)
"""Here runs go out and come back into the same database."""


def a_full_run(writer):
    """Begin a run with all that can be logged in one, in two segments."""
    run, first = begin(
        writer, "=D1,;\t\x00é", lot="L,1", operator="+O", note='"n"\n;=1'
    )
    second = writer.begin_segment(run, Segment(0, 5, -6, "boot"))
    logged = [
        (first, reading(0, raw="=cmd|' /C calc'!A0")),
        (first, reading(1, utc_ns=None, ambient_c=None, raw="+1.6E7")),
        (second, reading(2, ambient_c=-40.5, flags=Flag.GAP_BEFORE | Flag.SUSPECT)),
        (second, Event(1, 2, EventKind.GARBLED, "half, =1", "counter", b"\xff\x00")),
        (None, Event(1, 2, EventKind.NOTE, "@n")),
        (second, Condition(3, 4, "voltage", 3.3, "V", "meter", Flag.SIMULATED, "3.3")),
        (second, Edge("gps", None, 5, 6)),
    ]
    writer.commit([(run, segment or 0, noun) for segment, noun in logged])
    writer.add_verdict(
        run,
        VerdictRow(
            word="pass",
            offset_ppm=1.5,
            u_ppm=0.2,
            limit_ppm=30.0,
            conformance=0.99,
            rule="r",
            figures={"n": 3},
            at_utc_ns=77,
        ),
    )
    writer.amend(run, Amendment(kind="void", reason="=1+1", at_utc_ns=78))
    writer.end_run(run, "stopped")
    return run


def without_ids(rows, segments):
    return [(segments.index(row[1]) if row[1] else None, *row[2:]) for row in rows]


def logged(reader, run):
    segments = [one.id for one in reader.segments(run)]
    return {
        table.name: without_ids(reader.logged(table, run).rows, segments)
        for table in LOGGED
    }


@pytest.mark.parametrize("format", FORMATS)
def test_a_run_comes_back_whole(writer, reader, tmp_path, format):
    old = a_full_run(writer)
    out = tmp_path / f"run.{format}"
    assert export_run(reader, old, format, out).readings == 3
    result = import_file(out, writer, VirtualClock(), AGAIN)
    assert (result.readings, result.rejected, result.problems) == (3, 0, ())
    before, after = reader.run(old), reader.run(result.run)
    for name in ("device", "part", "lot", "position", "bench", "divider", "operator"):
        assert getattr(before, name) == getattr(after, name), name
    for name in ("note", "identities", "timebase", "resolution_hz", "verdict"):
        assert getattr(before, name) == getattr(after, name), name
    assert after.purpose is Purpose.IMPORT
    assert reader.verdicts(old) == reader.verdicts(result.run)
    assert reader.amendments(old) == reader.amendments(result.run)
    starts = [
        [(one.began_utc_ns, one.began_mono_ns, one.boot_id) for one in segments]
        for segments in (reader.segments(old), reader.segments(result.run))
    ]
    assert starts[0] == starts[1]
    mine, theirs = logged(reader, old), logged(reader, result.run)
    for table in ("readings", "conditions", "edges"):
        assert mine[table] == theirs[table], table
    # events of no segment get the first; one more says where the run came from
    assert [row[1:] for row in theirs["events"][1:]] == [
        row[1:] for row in mine["events"]
    ]
    assert "imported from" in theirs["events"][0][4]
    origin = after.snapshot["origin"]["run"]
    assert origin["run"] == old
    assert origin["snapshot"] == json.loads(json.dumps(before.snapshot))


INT64 = st.integers(-(2**63), 2**63 - 1)
TEXT = st.text(st.characters(exclude_categories=["Cs"]))
HOSTILE = st.one_of(
    TEXT,
    st.sampled_from(
        [
            "=1+1",
            "@SUM(1)",
            "-1+1|cmd",
            "+1",
            "\t=1",
            "\r=1",
            "1;=2",
            "1,=2",
            '1";=2',
            "'=1",
            "%3D",
            "%",
            "",
            " x ",
            "＝1",
            "a\u2028b",
        ]
    ),
)
READINGS = st.lists(
    st.builds(
        Reading,
        utc_ns=st.none() | INT64,
        mono_ns=INT64,
        gate_s=st.floats(0, allow_infinity=False),
        frequency_hz=st.floats(0, exclude_min=True, allow_infinity=False),
        ambient_c=st.none() | st.floats(allow_nan=False, allow_infinity=False),
        flags=st.integers(0, 63).map(Flag),
        raw=st.none() | HOSTILE,
    ),
    min_size=1,
    max_size=6,
)


@pytest.mark.parametrize("format", FORMATS)
@settings(max_examples=40, deadline=None)
@given(readings=READINGS, device=HOSTILE, note=HOSTILE)
def test_any_reading_comes_back_bit_for_bit(
    tmp_path_factory, format, readings, device, note
):
    folder = tmp_path_factory.mktemp("trip")
    path = folder / "bench.db"
    with Writer.open(path, VirtualClock()) as writer, Reader.open(path) as reader:
        run = writer.begin_run(plan(device, note=note), {}, TIMEBASE)
        segment = writer.begin_segment(run)
        writer.commit([(run, segment, one) for one in readings])
        out = folder / "run.txt"
        export_run(reader, run, format, out)
        result = import_file(out, writer, VirtualClock(), AGAIN)
        assert (result.readings, result.rejected) == (len(readings), 0)
        assert logged(reader, run)["readings"] == logged(reader, result.run)["readings"]
        assert reader.run(result.run).device == device
        if format == "csv":
            assert_safe(out)


def assert_safe(path):
    """Fail when any spreadsheet, whatever it splits at, could execute a cell."""
    text = path.read_bytes().decode()
    for separator in ",;\t|":
        for row in csv.reader(io.StringIO(text, newline=""), delimiter=separator):
            for found in row:
                assert not executes(found), (separator, found)
        for line in text.split("\n"):  # one that does not honour quotes
            assert not any(map(executes, line.split(separator)))


def executes(found):
    bare = found.lstrip(" \t\r\n'\"")
    if not bare or bare[0] not in "=+-@＝＋－＠":
        return False
    try:
        return not Decimal(bare).is_finite()
    except ArithmeticError:
        return True


@given(text=HOSTILE | st.none())
def test_cells_come_back(text):
    written = cell(text)
    assert text_of(written) == text
    assert not executes(written)
    assert not set(written) & set(',;\t\r\n"|')


@given(value=st.dictionaries(TEXT, HOSTILE | st.integers() | st.none()))
def test_comments_come_back(value):
    line = comment("key", value)
    assert comment_of(line) == ("key", value)
    assert line.startswith("# key: ")
    assert not set(line[:-1]) & set(",;\t\r\n|")


def test_a_reading_as_a_person_sees_it(writer, reader, tmp_path):
    run, segment = begin(writer)
    # common practice, no source: 30 ppm of 16 MHz is 480 Hz
    writer.commit([(run, segment, reading(0, frequency_hz=8_000_240.0))])
    export_run(reader, run, "csv", tmp_path / "run.csv")
    lines = (tmp_path / "run.csv").read_text().splitlines()
    plain = [line for line in lines if not line.startswith("#")]
    [found] = csv.DictReader(plain)
    assert float(found["offset_raw_ppm"]) == pytest.approx(30.0)
    assert found["utc"] == "2030-03-17T17:46:40.000000000Z"
    assert found["frequency_hz"] == "8000240.0"
    assert '# device: "D1"' in lines


def test_json_lines_are_json_and_say_what_they_are(writer, reader, tmp_path):
    run = a_full_run(writer)
    export_run(reader, run, "jsonl", tmp_path / "run.jsonl")
    lines = (tmp_path / "run.jsonl").read_text().splitlines()
    found = [json.loads(line, parse_constant=pytest.fail) for line in lines]
    assert [one["row"] for one in found] == [
        "run",
        *["reading"] * 3,
        *["event"] * 2,
        "condition",
        "edge",
        "verdict",
        "amendment",
        "end",
    ]
    assert found[0]["snapshot"]["part"]["nominal_hz"] == 16e6
    assert found[1]["frequency_hz"] == 8e6


@pytest.mark.parametrize(
    ("utc_ns", "text"),
    [
        (0, "1970-01-01T00:00:00.000000000Z"),
        (1_700_000_000_123_456_789, "2023-11-14T22:13:20.123456789Z"),
        (-1, "1969-12-31T23:59:59.999999999Z"),
        (2**63 - 1, "2262-04-11T23:47:16.854775807Z"),
    ],
)
def test_utc_to_the_nanosecond(utc_ns, text):
    assert utc_text(utc_ns) == text


def test_nothing_is_overwritten_unasked(writer, reader, tmp_path):
    run, _ = begin(writer)
    out = tmp_path / "run.csv"
    out.write_text("precious")
    with pytest.raises(UsageError, match="exists"):
        export_run(reader, run, "csv", out)
    assert out.read_text() == "precious"
    export_run(reader, run, "csv", out, overwrite=True)
    assert out.read_text().startswith("# benchlog-export: 1\n")


def test_a_failed_export_leaves_nothing(writer, reader, tmp_path):
    run, segment = begin(writer)
    writer.commit(rows(run, segment, 3))

    def stop(done, total):
        press_ctrl_c()

    folder = tmp_path / "out"
    folder.mkdir()
    with pytest.raises(KeyboardInterrupt):
        export_run(reader, run, "csv", folder / "run.csv", stop)
    assert list(folder.iterdir()) == []
    with pytest.raises(BenchlogError, match="cannot be written"):
        export_run(reader, run, "csv", tmp_path / "no" / "run.csv")
    with pytest.raises(NotFoundError, match="'cvs'; did you mean csv"):
        export_run(reader, run, "cvs", folder / "run.csv")
    with pytest.raises(NotFoundError):
        export_run(reader, run + 1, "csv", folder / "run.csv")
    assert list(folder.iterdir()) == []


def test_an_export_may_be_read_by_others(writer, reader, tmp_path):
    run, _ = begin(writer)
    before = os.umask(0o022)
    try:
        export_run(reader, run, "csv", tmp_path / "run.csv")
    finally:
        os.umask(before)
    assert (tmp_path / "run.csv").stat().st_mode & 0o777 == 0o644


def test_progress_of_an_export(writer, reader, tmp_path):
    run, segment = begin(writer)
    writer.commit(rows(run, segment, 25_000))
    told = []
    export_run(reader, run, "csv", tmp_path / "x", lambda *done: told.append(done))
    assert told == [(16_384, 25_000), (24_576, 25_000), (25_000, 25_000)]


@pytest.mark.parametrize("format", TEXTS)
def test_a_damaged_export_says_what_is_damaged(writer, reader, tmp_path, format):
    run, segment = begin(writer)
    writer.commit(rows(run, segment, 10))
    out = tmp_path / "run"
    export_run(reader, run, format, out)
    lines = out.read_text().splitlines()
    at = next(
        i
        for i, line in enumerate(lines)
        if ",8000000.5," in line.replace(" ", "") or "8000000.5" in line
    )
    lines[at] = lines[at].replace("8000000.5", "80000x0.5")
    out.write_text("\n".join(lines[:-1]) + "\n")
    result = import_file(out, writer, VirtualClock(), AGAIN)
    assert (result.readings, result.rejected) == (9, 2)
    assert result.problems[0].line == at + 1
    assert "ends early" in result.problems[1].reason
    kinds = [event.kind for _, event in reader.events(result.run)]
    assert kinds.count(EventKind.REJECTED) == 2


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("benchlog-export: 1", "benchlog-export: 99"),
        ("# snapshot: {", "# snapshot: ["),
        ("# snapshot", "# snap"),
        ('"kind": "quartz"', '"kind": "wood"'),
        ('"nominal_hz": 16000000.0', '"nominal_hz": "x"'),
        ('"nominal_hz": 16000000.0', '"nominal_hz": -1'),
        ('# device: "D1"', "# device: 5"),
        ("# segments: [", "# segments: 5["),
        ('"tolerance_ppm": 30.0%2C', ""),
    ],
)
def test_a_damaged_head_is_refused_and_nothing_begun(
    writer, reader, tmp_path, old, new
):
    run, segment = begin(writer)
    writer.commit(rows(run, segment, 3))
    out = tmp_path / "run.csv"
    export_run(reader, run, "csv", out)
    text = out.read_text()
    assert old in text
    out.write_text(text.replace(old, new))
    with pytest.raises(DataError, match=r"export|comment"):
        import_file(out, writer, VirtualClock(), AGAIN)
    assert len(reader.runs()) == 1


def test_what_a_person_says_goes_before_what_the_file_says(writer, reader, tmp_path):
    run = a_full_run(writer)
    out = tmp_path / "run.csv"
    export_run(reader, run, "csv", out)
    told = {"device": "D9", "note": "n", "operator": "o"}
    options = ImportOptions(nominal_hz=16e6, again=True, **told)
    found = reader.run(import_file(out, writer, VirtualClock(), options).run)
    assert (found.device, found.note, found.operator) == ("D9", "n", "o")
    with pytest.raises(UsageError, match=r"16 MHz.*8 MHz"):
        import_file(out, writer, VirtualClock(), ImportOptions(nominal_hz=8e6))


def test_an_export_of_an_import_of_an_export(writer, reader, tmp_path):
    run = a_full_run(writer)
    for turn in range(3):
        out = tmp_path / f"{turn}.csv"
        export_run(reader, run, "csv", out)
        run = import_file(out, writer, VirtualClock(), AGAIN).run
    assert logged(reader, 1)["readings"] == logged(reader, run)["readings"]
    assert math.isfinite(reader.run(run).nominal_hz)
