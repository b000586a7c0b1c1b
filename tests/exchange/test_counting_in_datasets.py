"""What does not count shifts no figure of a factory: in the shipped queries, too."""

import os
import sqlite3
from pathlib import Path

import pytest
from exchange import factory
from exchange.asking import ask
from exchange.factory import bench_database
from pyarrow import parquet
from store.making import begin, rows
from tiers import seldom

from benchlog.clock import VirtualClock
from benchlog.evaluation.lot_document import lot_document
from benchlog.evaluation.lots import lots_with_benches
from benchlog.exchange.dataset.lots import lots_of_dataset
from benchlog.exchange.dataset.write import write_dataset
from benchlog.model import Event, EventKind
from benchlog.store.reader import Reader
from benchlog.store.writer import Writer

WRONG_PPM = -4267.0
"""A part of another nominal frequency in the test site, as it was seen on a bench."""
LATER_NS = 1_900_100_000 * 10**9


@pytest.fixture
def benches(tmp_path: Path) -> list[Path]:
    return [bench_database(tmp_path, number, 3, 4) for number in range(2)]


def insert(path: Path, device: str, ppm: float, kind: EventKind | None = None) -> int:
    """Insert an inspected device into the first lot of a bench, as its keeper does."""
    clock = VirtualClock(now_utc_ns=LATER_NS)
    with Writer.open(path, clock) as writer, Reader.open(path) as reader:
        first = reader.run(1)
        told = (first.bench, first.lot, device, ppm)
        factory._inspect(writer, reader, clock, told)  # private: as the factory does
        run = reader.latest_run()
        assert run is not None
        if kind is not None:
            event = Event(clock.utc_ns(), clock.mono_ns(), kind, "the wrong part")
            writer.commit([(run.id, 0, event)])
        return run.id


def answers(benches: list[Path], folder: Path, *views: str) -> list[list[tuple]]:
    for path in benches:
        with Reader.open(path) as reader:
            write_dataset(reader, folder)
    return [ask(folder, f"from {view}") for view in views]


def averages(benches: list[Path], folder: Path, *views: str) -> list[list[tuple]]:
    """Return the answers to 12 digits: the engine's threads add in any order."""
    return [
        [tuple(float(f"{x:.12g}") if isinstance(x, float) else x for x in r) for r in v]
        for v in answers(benches, folder, *views)
    ]


def test_a_wrong_part_that_was_taken_back_shifts_no_bench(benches, tmp_path):
    views = ("bench_against_others", "yield_per_week", "same_device_on_benches")
    before = averages(benches, tmp_path / "set", *views)
    insert(benches[0], "WRONG", WRONG_PPM, EventKind.SET_ASIDE)
    assert averages(benches, tmp_path / "set", *views) == before
    insert(benches[0], "DROPPED", WRONG_PPM, EventKind.DAMAGED)
    shift, passed, _ = averages(benches, tmp_path / "set", *views)
    assert shift == before[0], "a damaged device tells nothing of its bench"
    assert sum(row[5] for row in passed) == sum(row[5] for row in before[1]) + 1


def test_the_results_of_a_dataset_are_those_of_its_databases(benches, tmp_path):
    with Reader.open(benches[0]) as reader:
        device = reader.run(1).device
    again = insert(benches[0], device, 3.0)
    insert(benches[0], "WRONG", WRONG_PPM, EventKind.SET_ASIDE)
    (found,) = answers(
        benches,
        tmp_path / "set",
        "(select bench, run, device, word, offset_ppm from results order by all)",
    )
    sql = "select bench, run, device, verdict, offset_ppm from results"
    wanted = []
    for path in benches:
        connection = sqlite3.connect(f"file:{os.fspath(path)}?mode=ro", uri=True)
        wanted += connection.execute(sql).fetchall()
        connection.close()
    assert found == sorted(wanted)
    assert [row[1] for row in found if row[2] == device] == [again]
    replaced = "(select run, does_not_count from runs where not counts order by all)"
    (told,) = answers(benches, tmp_path / "set", replaced)
    reasons = dict(told)
    assert reasons[1] == f"measured again in run {again}"
    assert sorted(reasons.values())[-1] == "taken back"


@pytest.mark.parametrize(
    "kinds",
    [
        (EventKind.MARK,),
        seldom((EventKind.SET_ASIDE,)),
        seldom((EventKind.SET_ASIDE, EventKind.HELD)),
        (EventKind.HELD, EventKind.RESTORED),
        (EventKind.HELD, EventKind.SET_ASIDE),
        seldom((EventKind.DAMAGED,)),
        (EventKind.DAMAGED, EventKind.UNDAMAGED),
    ],
    ids=" then ".join,
)
def test_a_dataset_decides_a_lot_as_its_database_does(kinds, tmp_path):
    path = bench_database(tmp_path, 0, 1, 4)
    with Reader.open(path) as reader:
        device = reader.run(1).device
    run = insert(path, device, 3.0)
    with Writer.open(path, VirtualClock(now_utc_ns=LATER_NS)) as writer:
        for number, kind in enumerate(kinds, 1):
            writer.commit([(run, 0, Event(number, number, kind, "is it the part?"))])
    with Reader.open(path) as reader:
        write_dataset(reader, tmp_path / "set")
        ((wanted, _),) = lots_with_benches(reader)
    ((found, _),) = lots_of_dataset(tmp_path / "set")
    assert lot_document(found) == lot_document(wanted)


def test_an_endless_run_that_was_broken_off_counts_in_a_dataset_too(tmp_path):
    with Writer.open(tmp_path / "bench.db", VirtualClock()) as writer:
        run, segment = begin(writer, "A", lot="L1")
        writer.commit(rows(run, segment, 9))
        writer.end_run(run, "interrupted")
    with Reader.open(tmp_path / "bench.db") as reader:
        write_dataset(reader, tmp_path / "set")
        ((wanted, _),) = lots_with_benches(reader)
    ((found, _),) = lots_of_dataset(tmp_path / "set")
    assert [one.counts for one in wanted.runs] == [True]
    assert [one.counts for one in found.runs] == [True]


def test_files_of_before_that_tell_no_mark_are_still_read(benches, tmp_path):
    for path in benches:
        with Reader.open(path) as reader:
            write_dataset(reader, tmp_path / "set")
    before = [lot_document(lot) for lot, _ in lots_of_dataset(tmp_path / "set")]
    for file in (tmp_path / "set" / "runs").rglob("*.parquet"):
        table = parquet.ParquetFile(file).read()
        parquet.write_table(table.drop_columns(["held", "marked", "planned"]), file)
    after = [lot_document(lot) for lot, _ in lots_of_dataset(tmp_path / "set")]
    assert before and after == before
