"""A run is there once, however often its database was copied, merged or restored."""

from dataclasses import replace
from pathlib import Path

import psycopg
from forwarding.made_benches import amend, clock_from, made_database
from forwarding.sending import done, sent
from store.making import BENCH, COUNTER, TIMEBASE, plan, reading

from benchlog.clock import VirtualClock
from benchlog.exchange.import_file import import_file
from benchlog.exchange.import_options import ImportOptions
from benchlog.model import Event, EventKind, Lot, Purpose
from benchlog.store.backup import back_up
from benchlog.store.rows import VerdictRow
from benchlog.store.writer import Writer

KINDS = ("runs", "readings", "verdicts", "amendments", "segments", "devices")


def counts(central: str) -> dict[str, int]:
    with psycopg.connect(central) as session:
        return {
            kind: session.execute(f"select count(*) from benchlog.{kind}").fetchone()[0]
            for kind in KINDS
        }


def asked(central: str, sql: str) -> list[tuple]:
    with psycopg.connect(central) as session:
        return session.execute(sql).fetchall()


def test_copies_merges_and_backups_count_once(central: str, tmp_path: Path) -> None:
    done(central, "--create")
    benches = []
    for number in range(2):
        path = made_database(tmp_path / f"bench-{number}.db", 5, 20)
        with Writer.open(path, clock_from(number + 1)) as writer:
            amend(writer, 2, "knocked")
        benches.append(path)
        sent(central, path, "--readings")
    expected = counts(central)
    assert expected == {
        "runs": 10, "readings": 200, "verdicts": 10, "amendments": 2, "segments": 10,
        "devices": 5,
    }  # fmt: skip
    merged = tmp_path / "merged.db"
    with Writer.open(merged, clock_from(3)) as writer:
        for path in benches:
            writer.merge(path)
    sent(central, merged, "--readings")
    kept = tmp_path / "kept.db"
    back_up(benches[0], kept)
    sent(central, kept, "--readings")
    assert counts(central) == expected
    told = asked(central, "select counts, count(*) from benchlog.runs_named group by 1")
    assert dict(told) == {True: 8, False: 2}


def test_what_is_told_later_of_a_run_follows_from_whichever_copy(
    central: str, tmp_path: Path
) -> None:
    done(central, "--create")
    bench = made_database(tmp_path / "bench.db", 2, 5)
    merged = tmp_path / "merged.db"
    with Writer.open(merged, clock_from(1)) as writer:
        writer.merge(bench)
        amend(writer, 1, "told in the merged one")
    with Writer.open(bench, clock_from(2)) as writer:
        amend(writer, 2, "told at the bench")
    for path in (bench, merged):
        sent(central, path)
    told = asked(
        central,
        "select does_not_count from benchlog.runs_named order by started_utc_ns",
    )
    assert told == [("void (told in the merged one)",), ("void (told at the bench)",)]


def test_what_was_said_last_of_a_device_counts_whichever_copy_came_last(
    central: str, tmp_path: Path
) -> None:
    done(central, "--create")
    bench, copy = made_database(tmp_path / "bench.db", 2, 5), tmp_path / "copy.db"
    back_up(bench, copy)
    for path, day, kind in (
        (copy, 1, EventKind.DAMAGED),
        (bench, 2, EventKind.UNDAMAGED),
        (copy, 1, EventKind.SET_ASIDE),
        (bench, 2, EventKind.RESTORED),
    ):
        with Writer.open(path, clock_from(day)) as writer:
            at_ns = clock_from(day).utc_ns()
            writer.commit([(1, 0, Event(at_ns, at_ns, kind, "the wrong one"))])
    for path in (bench, copy):
        sent(central, path)
    sql = "select damaged, does_not_count from benchlog.runs_named where run = 1"
    assert asked(central, sql) == [(False, None)]


def test_a_device_measured_at_two_benches_counts_by_its_newest_run(
    central: str, tmp_path: Path
) -> None:
    done(central, "--create")
    for number, word in enumerate(("fail", "pass")):
        clock = clock_from(number)
        path = tmp_path / f"bench-{number}.db"
        _inspected(path, clock, f"bench-{number}", word)
        sent(central, path)
    sql = "select device, verdict, bench from benchlog.results"
    assert asked(central, sql) == [("D1", "pass", "bench-1")]
    why = "select does_not_count from benchlog.runs_named where not counts"
    assert asked(central, why) == [("measured again in run 1 of another bench",)]


def test_an_import_was_begun_when_its_readings_were_over_there_too(
    central: str, tmp_path: Path
) -> None:
    """Before, the moment of the import was told as the beginning of the run."""
    done(central, "--create")
    bench, file = tmp_path / "bench.db", tmp_path / "plain.csv"
    with Writer.open(bench, clock_from(1)) as writer:
        for device, times in (("timed", True), ("plain", False)):
            lines = (
                f"2026-11-02T10:00:0{n}Z,{16e6 + n}" if times else f"{16e6 + n}"
                for n in range(5)
            )
            file.write_text("\n".join(lines))
            options = ImportOptions(nominal_hz=16e6, device=device)
            import_file(file, writer, clock_from(2), options)
    sent(central, bench, "--readings")
    told = asked(central, "select device, started from benchlog.runs_named")
    began = "2026-11-02T10:00:00.000000000Z"
    assert dict(told) == {"timed": began, "plain": None}


def _inspected(path: Path, clock: VirtualClock, bench: str, word: str) -> None:
    wanted = plan("D1", lot="L1", purpose=Purpose.INSPECT)
    wanted = replace(wanted, bench=replace(BENCH, name=bench))
    with Writer.open(path, clock) as writer:
        writer.open_lot(
            Lot(lot="L1", part_id=wanted.part.id, supplier="Invented", size=9),
            wanted.part,
        )
        run = writer.begin_run(wanted, {"counter": COUNTER}, TIMEBASE)
        segment = writer.begin_segment(run)
        writer.commit([(run, segment, reading(1))])
        writer.end_run(run, "verdict clear")
        writer.add_verdict(run, VerdictRow(word=word, figures={"readings": 1}))
