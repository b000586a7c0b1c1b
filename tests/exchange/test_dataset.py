"""Datasets: many benches' databases in one query, with the figures of the single files.

The figures are held against DuckDB, a general engine, and against SQLite's own answers.
"""

import re
import statistics
from functools import partial
from importlib.resources import files

import duckdb
import pytest
from exchange.asking import ask as ask_in
from exchange.factory import READINGS, bench_database
from store.making import TIMEBASE, begin, plan, rows

from benchlog.clock import VirtualClock
from benchlog.errors import DataError
from benchlog.evaluation.lot_document import lot_document
from benchlog.evaluation.lots import lots_with_benches
from benchlog.exchange.dataset.lots import lots_of_dataset
from benchlog.exchange.dataset.write import write_dataset
from benchlog.exchange.import_file import import_file
from benchlog.exchange.import_options import ImportOptions
from benchlog.model import Purpose
from benchlog.store.reader import Reader
from benchlog.store.rows import Amendment
from benchlog.store.writer import Writer

BENCHES, LOTS, DEVICES = 3, 16, 2
"""48 lots from 3 benches, over four weeks."""


@pytest.fixture(scope="module")
def databases(tmp_path_factory):
    folder = tmp_path_factory.mktemp("benches")
    return [bench_database(folder, n, LOTS, DEVICES) for n in range(BENCHES)]


@pytest.fixture(scope="module")
def dataset(databases, tmp_path_factory):
    folder = tmp_path_factory.mktemp("factory") / "set"
    for path in databases:
        with Reader.open(path) as reader:
            write_dataset(reader, folder)
    return folder


@pytest.fixture(scope="module")
def ask(dataset):
    return partial(ask_in, dataset)


def test_all_runs_and_readings_are_there(ask, databases):
    assert ask("select count(*), count(distinct lot) from runs") == [
        (BENCHES * LOTS * DEVICES, BENCHES * LOTS)
    ]
    assert ask("select count(*) from readings") == [
        (BENCHES * LOTS * DEVICES * READINGS,)
    ]
    lots = {name for (name,) in ask("select distinct lot from runs")}
    assert "0-000/a=b" in lots, "names come back as they were written"


def test_figures_are_those_of_the_single_files(ask, databases):
    found = ask(
        "select bench, run, device, lot, verdict, offset_ppm, u_ppm, conformance,"
        " readings, started_utc_ns from runs order by bench, run"
    )
    wanted = []
    for path in databases:
        with Reader.open(path) as reader:
            for run in reader.all_runs():
                verdict = reader.verdicts(run.id)[-1]
                figures = (verdict.offset_ppm, verdict.u_ppm, verdict.conformance)
                who = (run.bench, run.id, run.device, run.lot, run.verdict)
                wanted.append((*who, *figures, run.readings, run.started_utc_ns))
    assert found == wanted


def test_readings_are_those_of_the_single_files(ask, databases):
    with Reader.open(databases[1]) as reader:
        columns = [reader.columns_after(run.id) for run in reader.all_runs()]
    found = ask(
        "select utc_ns, frequency_hz, mono_ns, flags from readings"
        " where bench = 'bench-1' order by run, mono_ns"
    )
    wanted = [
        row
        for one in columns
        for row in zip(
            one.utc_ns.tolist(),
            one.frequency_hz.tolist(),
            one.mono_ns.tolist(),
            one.flags.tolist(),
            strict=True,
        )
    ]
    assert found == wanted


def test_lots_decided_from_the_dataset_are_those_of_the_databases(dataset, databases):
    wanted = {}
    for path in databases:
        with Reader.open(path) as reader:
            for report, _ in lots_with_benches(reader):
                wanted[report.lot.lot] = lot_document(report)
    found = {r.lot.lot: lot_document(r) for r, _ in lots_of_dataset(dataset)}
    assert len(found) == BENCHES * LOTS
    assert found == wanted
    assert {one["decision"] for one in found.values()} >= {"accepted", "rejected"}
    some = list(lots_of_dataset(dataset, supplier="Nowhere/Works"))
    assert {report.lot.supplier for report, _ in some} == {"Nowhere/Works"}


def test_yield_per_supplier_and_week(ask, databases):
    found = ask("select supplier, devices, passed, failed, yield from yield_per_week")
    totals = {}
    for path in databases:
        with Reader.open(path) as reader:
            for report, _ in lots_with_benches(reader):
                count = totals.setdefault(report.lot.supplier, [0, 0])
                count[0] += report.standing.passed
                count[1] += report.standing.failed
    for supplier, (passed, failed) in totals.items():
        own = [row for row in found if row[0] == supplier]
        assert sum(row[2] for row in own) == passed
        assert sum(row[3] for row in own) == failed
        for _, devices, good, bad, share in own:
            assert devices >= good + bad
            assert share == (good / (good + bad) if good + bad else None)
    assert len(found) > 3 * len(totals), "several weeks"


def test_one_bench_against_another(ask, databases):
    found = ask("select bench, runs, against_all_ppm from bench_against_others")
    means = {
        bench: sum(n * ppm for b, n, ppm in found if b == bench)
        / sum(n for b, n, _ in found if b == bench)
        for bench in {row[0] for row in found}
    }
    assert len(means) == BENCHES
    # the benches were made 0.5 ppm apart each; the lots scatter by 16 ppm
    assert means["bench-2"] - means["bench-0"] == pytest.approx(
        1.0, abs=3 * 16 * (2 / LOTS) ** 0.5
    )
    weeks = ask("select distinct week from bench_against_others")
    for (week,) in weeks[:3]:
        own = ask(
            "select sum(runs * against_all_ppm) from bench_against_others"
            f" where week = '{week}'"
        )
        assert own[0][0] == pytest.approx(0.0, abs=1e-9)


def test_ageing_of_a_family(tmp_path):
    years = 0.5
    with Writer.open(tmp_path / "aged.db", clock := VirtualClock()) as writer:
        for age in range(4):
            run, segment = begin(writer, "OLD-1")
            offset = 3.0 * age * years
            hertz = 8e6 * (1 + offset * 1e-6)
            batch = rows(run, segment, 5)
            same = [(r, s, _with(one, hertz)) for r, s, one in batch]
            writer.commit(same)
            writer.end_run(run, "stopped")
            clock.sleep(years * 365.25 * 86_400)
    with Reader.open(tmp_path / "aged.db") as reader:
        write_dataset(reader, tmp_path / "set")
    found = ask_in(tmp_path / "set", "from ageing_of_kinds")
    ((kind, devices, slope, _, _),) = found
    assert (kind, devices) == ("quartz", 1)
    assert slope == pytest.approx(3.0, abs=1e-3)


def _with(reading, hertz):
    from dataclasses import replace

    return replace(reading, frequency_hz=hertz)


def test_exporting_again_writes_what_changed_and_drops_what_moved(tmp_path):
    path = bench_database(tmp_path, 0, 2, 2)
    folder = tmp_path / "set"
    with Reader.open(path) as reader:
        first = write_dataset(reader, folder)
        again = write_dataset(reader, folder)
        assert (first.runs, again.runs) == (4, 4)
        assert first.files == len(list(folder.rglob("*.parquet")))
        assert (again.files, again.readings) == (0, 0)
        with Writer.open(path, VirtualClock()) as writer:
            writer.amend(1, Amendment(kind="void", reason="probe off"))
            begin(writer, "still running")
        third = write_dataset(reader, folder)
    assert third.files == 3, "runs and readings of the month, and the lots"
    assert third.readings == READINGS, "of the other runs none was read again"
    assert third.left_out == [5]
    stats = duckdb.sql(
        f"select void, count(*) from '{folder}/runs/**/*.parquet' group by 1 order by 2"
    ).fetchall()
    assert stats == [("probe off", 1), (None, 3)]
    with Reader.open(path) as reader:
        ((report, _), *_) = lots_of_dataset(folder)
        ((wanted, _), *_) = lots_with_benches(reader)
    assert lot_document(report) == lot_document(wanted)
    assert report.standing.remaining == 1


def test_what_is_no_dataset_is_said(tmp_path):
    with pytest.raises(DataError, match="holds no dataset"):
        list(lots_of_dataset(tmp_path))
    Writer.open(tmp_path / "empty.db", VirtualClock()).close()
    empty = tmp_path / "empty.db"
    with Reader.open(empty) as reader, pytest.raises(DataError, match="no run"):
        write_dataset(reader, tmp_path / "set")
    assert not (tmp_path / "set").exists()


def test_every_query_is_explained():
    text = (files("benchlog.exchange.dataset") / "queries.sql").read_text()
    views = re.findall(r"(?:--.*\n)+create or replace view (\w+)", text)
    assert {"yield_per_week", "bench_against_others", "ageing_of_devices"} <= set(views)
    assert statistics.mean(len(line) for line in text.splitlines()) < 80


def test_an_import_is_dated_by_its_readings_and_a_check_is_no_device(tmp_path):
    path, folder = tmp_path / "bench.db", tmp_path / "set"
    made = "".join(f"2021-03-0{1 + k}T06:00:00Z,16000100\n" for k in range(5))
    (tmp_path / "made.csv").write_text(made)
    with Writer.open(path, VirtualClock()) as writer, Reader.open(path) as reader:
        wanted = ImportOptions(nominal_hz=16e6, device="KX-1")
        import_file(tmp_path / "made.csv", writer, VirtualClock(), wanted)
        check = plan("10 MHz", purpose=Purpose.REFCHECK, checks="counter")
        for one in (check, plan("RC-1", purpose=Purpose.TRIM), plan("KX-2")):
            run = writer.begin_run(one, {}, TIMEBASE)
            writer.commit(rows(run, writer.begin_segment(run), 5))
            writer.end_run(run, "stopped")
        write_dataset(reader, folder)
    found = ask_in(
        folder,
        "select device, day, imported, strftime(started, '%Y-%m-%d') from runs"
        " where imported",
    )
    devices = ask_in(folder, "select device from measured order by 1")
    assert devices == [("KX-1",), ("KX-2",)]
    assert found == [("KX-1", "2021-03-01", True, "2021-03-01")]
