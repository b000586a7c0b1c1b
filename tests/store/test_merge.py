"""Databases of several benches in one, and whole copies of a database in use."""

import shutil

import numpy as np
import pytest
from store.making import COUNTER, PART, begin, connection_of, reading, rows

from benchlog.clock import VirtualClock
from benchlog.errors import BenchlogError, StoreError, StoreOlderError, UsageError
from benchlog.exchange.export.run_export import export_run
from benchlog.exchange.import_file import import_file
from benchlog.model import (
    Condition,
    Edge,
    Event,
    EventKind,
    Lot,
    ReferenceCheck,
)
from benchlog.store import opening as migrate
from benchlog.store.backup import Copied, back_up
from benchlog.store.logged_tables import CONDITIONS, EDGES, READINGS
from benchlog.store.reader import Reader
from benchlog.store.rows import Amendment, VerdictRow
from benchlog.store.schema import steps as schema
from benchlog.store.writer import Writer

OTHERS = (
    Event(5, 6, EventKind.NOTE, "a note; with 'quotes'", "counter", b"\x00\xff"),
    Condition(7, 8, "supply", 3.3, "V", "meter"),
    Edge("gps", 9, 10, 11),
)


def filled(folder, name, device, count=2_500, **more):
    """Make a database with a run of two segments and all kinds of rows; its path."""
    clock = VirtualClock()
    with Writer.open(folder / name, clock) as writer:
        writer.open_lot(
            Lot(
                lot="L1",
                part_id=PART.id,
                supplier="Invented Ltd",
                size=50,
                plan={"n": 5},
            ),
            PART,
        )
        begin(writer, "before")  # so that ids differ
        clock.sleep(sum(name.encode()))
        run, first = begin(writer, device, lot="L1", **more)
        writer.commit(rows(run, first, count))
        second = writer.begin_segment(run)
        writer.commit([(run, second, noun) for noun in OTHERS])
        writer.commit([(run, second, reading(count + 9, raw="9.9"))])
        check = ReferenceCheck(
            instrument=COUNTER,
            offset_ppm=0.1,
            u_ppm=0.02,
            method="pulses",
            at_utc_ns=10,
            valid_until_utc_ns=10**18,
            run_id=run,
        )
        writer.add_reference_check(check)
        writer.add_verdict(
            run,
            VerdictRow(
                word="pass",
                offset_ppm=1.0,
                u_ppm=0.1,
                limit_ppm=30.0,
                conformance=0.99,
                rule="rule",
            ),
        )
        writer.amend(
            run,
            Amendment(kind="device", reason="mistyped", old=device, new=f"{device}-x"),
        )
        writer.end_run(run, "stopped")
        writer.end_run(1, "stopped")
    return folder / name


def told(reader, run):
    """All that is known of a run, without ids."""
    found = reader.run(run)
    logged = {
        table.name: [reader.logged(table, run).of(name) for name in table.noun_columns]
        for table in (READINGS, CONDITIONS, EDGES)
    }
    events = [e for _, e in reader.events(run) if "merged from" not in e.text]
    outline = reader.outline(run)
    shape = [outline.n.tolist(), outline.mean_hz.tolist(), outline.t1_mono_ns.tolist()]
    plain = (found.device, found.lot, found.snapshot, found.started_utc_ns)
    concluded = reader.verdicts(run), reader.amendments(run)
    return plain, found.readings, logged, events, shape, concluded


def test_runs_of_two_benches_come_together_whole(tmp_path):
    paths = [
        filled(tmp_path, name, device) for name, device in (("a", "A"), ("b", "B"))
    ]
    target = tmp_path / "all.db"
    with Writer.open(target, VirtualClock()) as writer:
        merged = [writer.merge(path) for path in paths]
    with Reader.open(target) as here:
        for path, one in zip(paths, merged, strict=True):
            assert one.readings == 2_501
            with Reader.open(path) as there:
                for run, now in one.brought.items():
                    assert told(here, now) == told(there, run)
                    columns = here.columns_after(now)
                    outline = here.outline(now)
                    if len(columns):
                        assert outline.first_id[0] == columns.id[0]
                        assert outline.last_id[-1] == columns.id[-1]
        assert [lot.supplier for lot in here.lots()] == ["Invented Ltd"]
        checks = here.reference_checks(COUNTER.serial)
        assert [one.run_id for _, one in checks] == [merged[0].brought[2]]


def test_merging_again_brings_only_what_is_new(tmp_path):
    path = filled(tmp_path, "a", "A", count=30)
    with Writer.open(tmp_path / "all.db", VirtualClock()) as writer:
        first = writer.merge(path)
        with Writer.open(path, VirtualClock()) as bench:
            bench.amend(2, Amendment(kind="void", reason="probe off", at_utc_ns=77))
            still_open, _ = begin(bench, "C")
        again = writer.merge(path)
        assert (again.brought, again.open) == ({}, [still_open])
        assert again.known == first.brought and again.said == 1
        with Reader.open(tmp_path / "all.db") as reader:
            assert reader.run(first.brought[2]).void == "probe off"
            assert len(reader.verdicts(first.brought[2])) == 1
            assert len(reader.runs()) == 2


@pytest.mark.parametrize("order", ["ab", "ba"])
def test_what_was_said_last_counts_whichever_file_comes_first(tmp_path, order):
    path = filled(tmp_path, "a", "A", count=30)
    back_up(path, tmp_path / "b")
    said = {"a": [("void", 100)], "b": [("void", 200), ("restore", 300)]}
    words = {"a": ("fail", 150), "b": ("pass", 50)}
    for name, amendments in said.items():
        with Writer.open(tmp_path / name, VirtualClock()) as writer:
            for kind, at_ns in amendments:
                writer.amend(
                    2, Amendment(kind=kind, reason=f"{kind} {at_ns}", at_utc_ns=at_ns)
                )
            word, at_ns = words[name]
            writer.add_verdict(2, VerdictRow(word=word, at_utc_ns=at_ns))
    with Writer.open(tmp_path / "all.db", VirtualClock()) as writer:
        first, _ = (writer.merge(tmp_path / name) for name in order)
        run = first.brought[2]
        with Reader.open(tmp_path / "all.db") as reader:
            assert reader.run(run).void is None
            times = [one.at_utc_ns for one in reader.amendments(run)]
            assert times[:3] == [100, 200, 300]
            later = [one.word for one in reader.verdicts(run) if one.at_utc_ns < 1000]
            assert later == ["pass", "fail"]
        voided = "select distinct voided from readings_named where run_id = ?"
        assert connection_of(writer).execute(voided, (run,)).fetchall() == [(0,)]


def test_rows_that_were_brought_back_after_a_merge_come_with_the_next(tmp_path):
    """Before, the collecting database was without them for good, and told nothing."""
    path, target = tmp_path / "a.db", tmp_path / "all.db"
    with Writer.open(path, VirtualClock()) as writer:
        run, segment = begin(writer)
        told = Event(5, 6, EventKind.STORE_WAIT, "no room")
        writer.commit([(run, segment, told), *rows(run, segment, 20)])
        later = writer.begin_segment(run)
        writer.commit(rows(run, later, 2_500, first=60))
        writer.end_run(run, "time reached")
        with Writer.open(target, VirtualClock()) as all_runs:
            assert all_runs.merge(path).readings == 2_520
            writer.commit_missing(rows(run, segment, 30))
            assert all_runs.merge(path).readings == 10
            assert all_runs.merge(path).readings == 0
    with Reader.open(path) as one, Reader.open(target) as other:
        here, there = (reader.logged(READINGS, 1) for reader in (one, other))
        assert here.of("mono_ns") == there.of("mono_ns")


def test_a_copy_of_a_run_that_was_not_over_is_told_to_lack_readings(tmp_path):
    """Before, it was "here already", and nothing told of 10 readings of 30."""
    path, target = tmp_path / "a.db", tmp_path / "all.db"
    with (
        Writer.open(path, VirtualClock()) as writer,
        Writer.open(target, VirtualClock()) as all_runs,
    ):
        run, segment = begin(writer)
        writer.commit(rows(run, segment, 20))
        with Reader.open(path) as reader:
            export_run(reader, run, "jsonl", tmp_path / "run.jsonl")
        import_file(tmp_path / "run.jsonl", all_runs, VirtualClock())
        writer.commit(rows(run, segment, 10, first=20))
        writer.end_run(run, "time reached")
        assert all_runs.merge(path).differing == {run: 1}
        assert writer.merge(target).differing == {}


def test_a_lot_that_has_another_plan_there_is_told(tmp_path):
    """Before, the plan of whichever file came first decided, and nothing told of it."""
    plans = {
        "a": {"sample_size": 5, "accept": 0},
        "b": {"sample_size": 20, "accept": 2},
    }
    for name, plan in plans.items():
        with Writer.open(tmp_path / name, VirtualClock()) as writer:
            for lot, given in (("L1", plan), ("L2", plans["a"])):
                known = Lot(lot=lot, part_id=PART.id, size=50, plan=given)
                writer.open_lot(known, PART)
            begin(writer, name, lot="L3")
    with Writer.open(tmp_path / "all.db", VirtualClock()) as writer:
        assert writer.merge(tmp_path / "a").other_plans == []
        assert writer.merge(tmp_path / "a").other_plans == []
        told = writer.merge(tmp_path / "b").other_plans
        assert told == [f"lot L1 of {PART.id}"]
        with Reader.open(tmp_path / "all.db") as reader:
            assert reader.lots("L1")[0].plan == plans["a"]


def test_what_is_said_after_a_clock_was_set_back_still_counts(tmp_path):
    clock = VirtualClock()
    with Writer.open(tmp_path / "a.db", clock) as writer:
        run, _ = begin(writer)
        ahead_ns = clock.utc_ns() + 10**15
        writer.amend(
            run, Amendment(kind="void", reason="probe off", at_utc_ns=ahead_ns)
        )
        writer.add_verdict(run, VerdictRow(word="fail", at_utc_ns=ahead_ns))
        writer.amend(run, Amendment(kind="restore", reason="it was not"))
        writer.add_verdict(run, VerdictRow(word="pass"))
        with Reader.open(tmp_path / "a.db") as reader:
            found = reader.run(run)
    assert (found.void, found.verdict) == (None, "pass")


def test_a_database_of_an_older_schema_is_merged_from_a_copy(tmp_path, monkeypatch):
    with monkeypatch.context() as older:
        older.setattr(migrate, "NEWEST", 1)
        older.setattr(schema, "STEPS", schema.STEPS[:1])
        with Writer.open(tmp_path / "old.db", VirtualClock()) as writer:
            run, segment = begin(writer)
            writer.commit(rows(run, segment, 5))
            writer.end_run(run, "stopped")
    before = (tmp_path / "old.db").read_bytes()
    with Writer.open(tmp_path / "all.db", VirtualClock()) as writer:
        assert writer.merge(tmp_path / "old.db").readings == 5
    assert (tmp_path / "old.db").read_bytes() == before


def test_a_backup_of_an_older_schema_stays_of_that_schema(tmp_path, monkeypatch):
    old, copy = tmp_path / "old.db", tmp_path / "copy.db"
    with monkeypatch.context() as older:
        older.setattr(migrate, "NEWEST", 1)
        older.setattr(schema, "STEPS", schema.STEPS[:1])
        with Writer.open(old, VirtualClock()) as writer:
            run, segment = begin(writer)
            writer.resume_run(run, control="bench.sock")
            writer.commit(rows(run, segment, 5))
    before = old.read_bytes()
    assert back_up(old, copy) == Copied(5, (run,))
    assert old.read_bytes() == before
    with pytest.raises(StoreOlderError, match="older schema 1"):
        Reader.open(copy)
    Writer.open(copy, VirtualClock()).close()  # brings it up to date
    with Reader.open(copy) as reader:
        assert (reader.count(run), reader.run(run).control) == (5, "")


def test_what_is_no_database_of_ours_is_refused(tmp_path):
    (tmp_path / "text.db").write_text("not a database, " * 100)
    with Writer.open(tmp_path / "all.db", VirtualClock()) as writer:
        with pytest.raises(StoreError, match=r"text\.db"):
            writer.merge(tmp_path / "text.db")
        with pytest.raises(StoreError, match="no database"):
            writer.merge(tmp_path / "missing.db")
        assert begin(writer)[0] == 1


def test_a_backup_holds_what_a_plain_copy_loses(tmp_path):
    path = tmp_path / "bench.db"
    with Writer.open(path, VirtualClock()) as writer:
        run, segment = begin(writer)
        writer.resume_run(run, control="bench.sock")
        writer.checkpoint()
        writer.commit(rows(run, segment, 100))
        shutil.copy(path, tmp_path / "plain.db")
        assert back_up(path, tmp_path / "copy.db") == Copied(100, (1,))
        writer.commit(rows(run, segment, 5, first=100))  # keepers go on
    with Reader.open(tmp_path / "plain.db") as reader:
        assert reader.count(run) == 0
    with Reader.open(tmp_path / "copy.db") as reader:
        assert reader.count(run) == 100
        ns = reader.columns_after(run).mono_ns
        assert np.array_equal(ns, np.arange(100) * 10**9)
        assert reader.run(run).control == ""  # the keeper keeps the other file


def test_a_backup_goes_over_nothing_by_accident(tmp_path):
    path = tmp_path / "bench.db"
    Writer.open(path, VirtualClock()).close()
    assert back_up(path, tmp_path / "copy.db") == Copied(0, ())
    with pytest.raises(UsageError, match="exists"):
        back_up(path, tmp_path / "copy.db")
    assert back_up(path, tmp_path / "copy.db", overwrite=True) == Copied(0, ())
    with pytest.raises(UsageError, match="the database itself"):
        back_up(path, path, overwrite=True)
    with pytest.raises(BenchlogError, match=r"nowhere.*cannot be written"):
        back_up(path, tmp_path / "nowhere" / "copy.db")
    assert sorted(p.name for p in tmp_path.glob("*copy*")) == ["copy.db"]
