"""Runs handed from one database to another, as files: whole, once, and unaltered."""

import json
from contextlib import closing
from dataclasses import replace

import pytest
from pulse_scene import PulseScene
from store.making import COUNTER, TIMEBASE, begin, fresh_writer, plan, rows

from benchlog.clock import VirtualClock
from benchlog.errors import DataError, StoreRefusedError, UsageError
from benchlog.evaluation.document import figures
from benchlog.evaluation.run_evaluation import Evaluation
from benchlog.exchange.export.run_export import export_run
from benchlog.exchange.import_file import import_file
from benchlog.exchange.import_options import ImportOptions
from benchlog.model import (
    Event,
    EventKind,
    Purpose,
    ReferenceCheck,
)
from benchlog.pages.page_builder import run_page
from benchlog.store import sqlite
from benchlog.store.reader import Reader
from benchlog.store.rows import Amendment, VerdictRow
from benchlog.store.writer import Writer
from benchlog.verdict.run.judges import judge_for

FORMATS = ("csv", "jsonl", "parquet")
PULSES = 600
"""Of the device in the scene, and as many of the reference."""


@pytest.fixture
def there(tmp_path):
    """Another database, where the files are brought in."""
    folder = tmp_path / "there"
    folder.mkdir()
    yield from fresh_writer(folder)


def seen_by(writer):
    return closing(Reader.open(writer.path))


def an_export(writer, tmp_path, format="csv"):
    """Export a run of nine readings with a verdict nobody would make of them."""
    run, segment = begin(writer)
    writer.commit(rows(run, segment, 9))
    writer.add_verdict(
        run,
        VerdictRow(
            word="pass",
            offset_ppm=1.5,
            u_ppm=0.2,
            limit_ppm=30.0,
            conformance=0.99,
            rule="r",
            figures={},
            at_utc_ns=77,
        ),
    )
    writer.end_run(run, "stopped")
    out = tmp_path / f"run.{format}"
    with seen_by(writer) as reader:
        export_run(reader, run, format, out)
    return out


def pulse_figures(reader, run_id):
    run = reader.run(run_id)
    judge = judge_for(run)
    judge.feed(reader.pulses_after(run_id))
    found = figures(Evaluation(run=run, assessment=judge.assessment()))
    return {name: found[name] for name in ("offset_ppm", "u_ppm", "verdict", "timing")}


@pytest.mark.parametrize("format", FORMATS)
def test_a_run_of_pulses_comes_back_with_the_same_figures(
    writer, there, tmp_path, format
):
    scene = PulseScene(writer, VirtualClock())
    scene.begin()
    scene.end()
    out = tmp_path / f"run.{format}"
    with seen_by(writer) as reader:
        sent = export_run(reader, 1, format, out)
        before = pulse_figures(reader, 1)
    assert (sent.readings, sent.edges) == (0, 2 * PULSES)
    result = import_file(out, there, VirtualClock())
    assert (result.readings, result.edges) == (0, 2 * PULSES)
    assert result.rejected == 0
    with seen_by(there) as reader:
        assert pulse_figures(reader, result.run) == before


@pytest.mark.parametrize("format", ["csv", "jsonl"])
def test_a_pulse_that_is_missing_is_missed(writer, there, tmp_path, format):
    scene = PulseScene(writer, VirtualClock())
    scene.begin()
    scene.end()
    out = tmp_path / f"run.{format}"
    with seen_by(writer) as reader:
        export_run(reader, 1, format, out)
    lines = out.read_text().splitlines()
    marks = ("# edge", '{"row": "edge"')
    at = next(k for k, line in enumerate(lines) if line.startswith(marks))
    out.write_text("\n".join([*lines[:at], *lines[at + 1 :]]) + "\n")
    result = import_file(out, there, VirtualClock())
    said = [str(problem) for problem in result.problems]
    assert any("1199 edges are left" in one and "1200" in one for one in said), said


@pytest.mark.parametrize("format", FORMATS)
def test_an_untouched_file_keeps_its_verdict(writer, there, tmp_path, format):
    result = import_file(an_export(writer, tmp_path, format), there, VirtualClock())
    assert not any("changed" in note for note in result.notes)
    with seen_by(there) as reader:
        assert [one.word for one in reader.verdicts(result.run)] == ["pass"]


@pytest.mark.parametrize("ends", ["\n", "\r\n"])
def test_line_ends_of_another_system_are_no_change(writer, there, tmp_path, ends):
    out = an_export(writer, tmp_path)
    out.write_bytes(out.read_text().replace("\n", ends).encode())
    assert len(import_file(out, there, VirtualClock()).notes) == 1


def test_a_file_changed_by_hand_is_told_and_judged_anew(writer, there, tmp_path):
    out = an_export(writer, tmp_path)
    text = out.read_text()
    assert text.count(",8000000.5,") == 1
    out.write_text(text.replace(",8000000.5,", ",8900000.5,"))
    result = import_file(out, there, VirtualClock())
    assert "its check sum does not fit" in result.notes[1]
    assert (result.readings, result.rejected) == (9, 0)
    with seen_by(there) as reader:
        old, new = reader.verdicts(result.run)
        assert old.offset_ppm == 1.5 and new.offset_ppm != 1.5
        assert reader.run(result.run).offset_ppm == new.offset_ppm
        notes = [e.text for _, e in reader.events(result.run) if e.kind == "note"]
        assert sum("check sum" in note for note in notes) == 1


def test_a_changed_copy_of_a_run_that_is_here_is_told_apart(writer, tmp_path):
    out = an_export(writer, tmp_path)
    with pytest.raises(UsageError) as as_it_is:
        import_file(out, writer, VirtualClock())
    assert "changed" not in str(as_it_is.value)
    out.write_text(out.read_text().replace(",8000000.5,", ",8900000.5,"))
    with pytest.raises(UsageError, match="run 1, BUT NOT AS IT IS HERE"):
        import_file(out, writer, VirtualClock())


def test_a_changed_parquet_file_is_told(writer, there, tmp_path):
    pq, pc = (
        pytest.importorskip("pyarrow.parquet"),
        pytest.importorskip("pyarrow.compute"),
    )
    out = an_export(writer, tmp_path, "parquet")
    table = pq.read_table(out)
    kept = {**pq.ParquetFile(out).metadata.metadata}
    at = table.schema.get_field_index("frequency_hz")
    faster = pc.add(table.column("frequency_hz"), 1.0)
    changed = table.set_column(at, table.schema.field(at), faster)
    pq.write_table(changed.replace_schema_metadata(kept), out)
    result = import_file(out, there, VirtualClock())
    assert "its check sum does not fit" in result.notes[1]


def test_another_part_is_judged_when_it_comes_in(writer, there, tmp_path):
    with seen_by(writer) as reader:
        out = an_export(writer, tmp_path)
        part = reader.run(1).part
    limits = replace(part.limits, tolerance_ppm=50.0)
    wished = ImportOptions(part=replace(part, id="other", limits=limits))
    result = import_file(out, there, VirtualClock(), wished)
    with seen_by(there) as reader:
        found = reader.run(result.run)
        assert found.part.id == "other"
        assert reader.verdicts(result.run)[-1].limit_ppm == 50.0


def test_a_run_comes_in_once_however_it_is_handed_on(writer, there, tmp_path):
    out = an_export(writer, tmp_path)
    first = import_file(out, there, VirtualClock())
    with pytest.raises(UsageError, match=r"here already, as run 1.*--again"):
        import_file(out, there, VirtualClock())
    onward = tmp_path / "onward.jsonl"
    with seen_by(there) as reader:
        export_run(reader, first.run, "jsonl", onward)
    for other in (writer, there):  # where it was measured, and where it came in
        with pytest.raises(UsageError, match="here already, as run 1"):
            import_file(onward, other, VirtualClock())
    again = import_file(out, there, VirtualClock(), ImportOptions(again=True))
    assert again.run == 2


def test_a_merge_knows_a_run_that_was_imported(writer, there, tmp_path):
    import_file(an_export(writer, tmp_path), there, VirtualClock())
    merged = there.merge(writer.path)
    assert (merged.brought, merged.known) == ({}, {1: 1})
    merged = writer.merge(there.path)
    assert (merged.brought, merged.known) == ({}, {1: 1})


def test_a_check_of_a_time_base_stays_one(writer, there, tmp_path):
    run = writer.begin_run(
        plan("10 MHz", purpose=Purpose.REFCHECK, checks="counter"), {}, TIMEBASE
    )
    segment = writer.begin_segment(run)
    writer.commit(rows(run, segment, 5))
    writer.end_run(run, "stopped")
    out = tmp_path / "check.csv"
    with seen_by(writer) as reader:
        export_run(reader, run, "csv", out)
    result = import_file(out, there, VirtualClock())
    with seen_by(there) as reader:
        here = reader.run(result.run)
        assert here.snapshot["checks"] == "counter"
        assert (here.purpose, here.made_for) == (Purpose.IMPORT, Purpose.REFCHECK)
        assert EventKind.NOTE in [e.kind for _, e in reader.events(result.run)]


CHECK = ReferenceCheck(
    instrument=COUNTER,
    offset_ppm=0.3,
    u_ppm=0.01,
    method="it timed <pulses>, 1 Hz",
    at_utc_ns=5,
    valid_until_utc_ns=2 * 10**18,
)


def a_check_export(writer, tmp_path, format, *, void=False):
    """Export the run of a reference check, in every number that a person may see."""
    begin(writer)  # another run before it: it has another number there
    run = writer.begin_run(
        plan("10 MHz", purpose=Purpose.REFCHECK, checks="counter"), {}, TIMEBASE
    )
    writer.commit(rows(run, writer.begin_segment(run), 5))
    writer.end_run(run, "stopped")
    writer.add_reference_check(replace(CHECK, run_id=run))
    if void:
        writer.amend(run, Amendment(kind="void", reason="wired wrongly"))
    out = tmp_path / f"check.{format}"
    with seen_by(writer) as reader:
        export_run(reader, run, format, out)
    return out


@pytest.mark.parametrize("format", FORMATS)
def test_what_a_check_found_comes_in_with_its_run(writer, there, tmp_path, format):
    out = a_check_export(writer, tmp_path, format)
    result = import_file(out, there, VirtualClock())
    assert result.rejected == 0
    with seen_by(there) as reader:
        (check,) = reader.standing_checks("17")
        who = replace(COUNTER, settings={})
        assert check == replace(CHECK, instrument=who, run_id=result.run)
    merged = there.merge(writer.path)  # it is known, as its run is
    assert merged.known
    with seen_by(there) as reader:
        assert len(reader.reference_checks()) == 1


def test_a_voided_check_comes_in_voided(writer, there, tmp_path):
    import_file(
        a_check_export(writer, tmp_path, "csv", void=True), there, VirtualClock()
    )
    with seen_by(there) as reader:
        assert reader.standing_checks("17") == []
        assert [one.void for _, one in reader.reference_checks()] == ["wired wrongly"]


def test_a_check_changed_by_hand_corrects_nothing(writer, there, tmp_path):
    out = a_check_export(writer, tmp_path, "jsonl")
    text = out.read_text()
    assert '"offset_ppm": 0.3' in text
    out.write_text(text.replace('"offset_ppm": 0.3', '"offset_ppm": 0.4'))
    result = import_file(out, there, VirtualClock())
    assert "its check sum does not fit" in result.notes[1]
    with seen_by(there) as reader:
        assert reader.reference_checks() == []


def test_a_trim_that_came_in_has_the_page_of_a_trim(writer, there, tmp_path):
    run, segment = begin(writer, "RC-1", purpose=Purpose.TRIM)
    writer.commit(rows(run, segment, 9))
    for code, ppm in ((128, "-13,646"), (131, "-1,250")):
        tried = Event(1, 2, EventKind.TRIM, f"code {code}: {ppm} ppm")
        writer.commit([(run, segment, tried)])
    writer.end_run(run, "best code found")
    out = tmp_path / "trim.jsonl"
    with seen_by(writer) as reader:
        export_run(reader, run, "jsonl", out)
        began, ended = reader.run(run).made_utc_ns
    result = import_file(out, there, VirtualClock())
    with seen_by(there) as reader:
        here = reader.run(result.run)
        assert here.made_utc_ns == (began, ended)
        page = run_page(reader, [here], VirtualClock())
        titles = [part.title for part in page.sections]
        assert "Stability" not in titles and "Trim codes" in titles


# --- files and databases that mean harm, or are only old -----------------------------


def brought_in(out, there, **more):
    return import_file(out, there, VirtualClock(), ImportOptions(**more))


def test_a_copy_judged_otherwise_says_nothing_of_the_original(writer, there, tmp_path):
    out = an_export(writer, tmp_path)
    with seen_by(writer) as reader:
        part = reader.run(1).part
    loose = replace(part, id="loose", limits=replace(part.limits, tolerance_ppm=9e5))
    brought_in(out, there, part=loose)
    merged = writer.merge(there.path)
    assert (merged.known, merged.said) == ({1: 1}, 0)
    with seen_by(writer) as reader:
        assert [one.offset_ppm for one in reader.verdicts(1)] == [1.5]


@pytest.mark.parametrize("way", ["changed into measured", "measured into changed"])
def test_a_changed_copy_is_merged_as_a_run_of_its_own(writer, there, tmp_path, way):
    out = an_export(writer, tmp_path)
    out.write_text(out.read_text().replace(",8000000.5,", ",8900000.5,"))
    brought_in(out, there)
    into, other = (writer, there) if way.startswith("changed") else (there, writer)
    merged = into.merge(other.path)
    assert (merged.known, merged.differing) == ({}, {1: 1})
    assert merged.brought == {1: 2}
    with seen_by(writer) as reader:
        assert reader.run(1).offset_ppm == 1.5


def test_runs_brought_in_twice_on_purpose_stay_two(writer, there, tmp_path):
    out = an_export(writer, tmp_path)
    brought_in(out, there)
    out.write_text(out.read_text().replace(",8000000.5,", ",8900000.5,"))
    brought_in(out, there, again=True)
    folder = tmp_path / "third"
    folder.mkdir()
    for third in fresh_writer(folder):
        assert len(third.merge(there.path).brought) == 2
        assert third.merge(there.path).brought == {}


def test_an_import_of_an_earlier_version_is_known_again(writer, there, tmp_path):
    out = an_export(writer, tmp_path)
    run = brought_in(out, there).run
    path = there.path
    there.close()
    with closing(sqlite.connect_to_write(path)) as connection:
        (trigger,) = connection.execute(
            "select sql from sqlite_master where name = 'runs_keep_on_update'"
        ).fetchone()
        connection.execute("drop trigger runs_keep_on_update")
        connection.execute(
            "update runs set snapshot = json_remove(snapshot, '$.origin.first')"
        )
        connection.execute(trigger)
    with closing(Writer.open(path, VirtualClock())) as again:
        with pytest.raises(UsageError, match=f"here already, as run {run}"):
            brought_in(out, again)
        assert again.merge(writer.path).known == {1: run}


def altered_lines(out, change):
    """Write an export anew with its lines changed, and no check sum."""
    lines = [json.loads(line) for line in out.read_text().splitlines()]
    lines = [dict(line) for line in change(lines)]
    lines[-1].pop("sha256", None)
    out.write_text("".join(json.dumps(line) + "\n" for line in lines))


@pytest.mark.parametrize("basis", [{}, 5, "x", {"part": {}, "timebase": {}}])
def test_a_verdict_that_rests_on_nonsense_hides_no_run(writer, there, tmp_path, basis):
    out = an_export(writer, tmp_path, "jsonl")

    def change(lines):
        verdict = next(line for line in lines if line["row"] == "verdict")
        verdict["figures"], verdict["at_utc_ns"] = {"basis": basis}, 2**62
        return lines

    altered_lines(out, change)
    assert brought_in(out, there).rejected == 1
    there.add_verdict(1, VerdictRow(word="pass", figures={"basis": basis}))
    with seen_by(there) as reader:
        assert reader.run(1).part.id == reader.runs()[0].part.id == "quartz-16mhz"


@pytest.mark.parametrize(
    "row",
    [
        5,
        "abc",
        None,
        {"row": "reading", "mono_ns": 1, "frequency_hz": 10**400},
        {"row": "verdict", "word": "pass", "at_utc_ns": 10**30},
        {"row": "verdict", "word": "pass", "offset_ppm": "x"},
        {"row": "amendment", "kind": "void", "reason": "r", "at_utc_ns": 2**63},
        {"row": "refcheck", "instrument": {"text": "", "serial": 5}},
        {"row": "edge", "instrument": "gps", "utc_ns": None, "mono_ns": 10**30,
         "sequence": 1, "flags": 0, "segment_id": 1},
    ],
)  # fmt: skip
def test_lines_of_another_kind_are_rejected_one_by_one(writer, there, tmp_path, row):
    out = an_export(writer, tmp_path, "jsonl")
    lines = out.read_text().splitlines()
    out.write_text("\n".join([*lines[:-1], json.dumps(row), lines[-1]]) + "\n")
    result = brought_in(out, there)
    assert (result.readings, result.edges) == (9, 0)
    assert result.rejected >= 1
    with seen_by(there) as reader:
        assert reader.runs()[0].id == result.run


@pytest.mark.parametrize(
    ("key", "value"), [("started_utc_ns", 10**30), ("device", "\ud800"), ("lot", 5)]
)
def test_a_head_no_database_can_hold_is_refused(writer, there, tmp_path, key, value):
    out = an_export(writer, tmp_path, "jsonl")
    altered_lines(out, lambda lines: [{**lines[0], key: value}, *lines[1:]])
    with pytest.raises((DataError, StoreRefusedError)):
        brought_in(out, there)
    with seen_by(there) as reader:
        assert reader.runs() == []


def test_a_head_changed_in_parquet_is_told(writer, there, tmp_path):
    pq = pytest.importorskip("pyarrow.parquet")
    out = an_export(writer, tmp_path, "parquet")
    table = pq.read_table(out)
    kept = {**pq.ParquetFile(out).metadata.metadata}
    head = json.loads(kept[b"benchlog.header"])
    kept[b"benchlog.header"] = json.dumps({**head, "operator": "somebody"}).encode()
    pq.write_table(table.replace_schema_metadata(kept), out)
    assert "its check sum does not fit" in brought_in(out, there).notes[1]


def test_time_that_cannot_be_later_still_lets_a_run_be_voided(writer, there, tmp_path):
    brought_in(an_export(writer, tmp_path), there)
    there.amend(
        1, Amendment(kind="restore", reason="as late as can be", at_utc_ns=2**63 - 1)
    )
    there.amend(1, Amendment(kind="void", reason="and yet"))
    with seen_by(there) as reader:
        assert reader.run(1).void == "and yet"
