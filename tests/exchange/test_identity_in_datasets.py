"""A run is in a dataset once, whatever was corrected, copied, merged or restored.

The counts are those that the databases themselves have.
"""

import fcntl
import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterable
from dataclasses import replace
from importlib.resources import files
from pathlib import Path

import pyarrow
import pytest
from exchange.asking import ask
from exchange.factory import READINGS, bench_database
from store.making import BENCH, PART, TIMEBASE, begin, clock_of, plan, rows
from store.processes import environment
from tiers import seldom
from warm_program import PROGRAM, run

from benchlog.cli.commands.chips import chips_of
from benchlog.cli.commands.runs import as_document
from benchlog.cli.tasks.finding_runs import found as found_in
from benchlog.clock import VirtualClock, host_sleep
from benchlog.errors import BenchlogError, DataError
from benchlog.evaluation.lot_document import lot_document
from benchlog.evaluation.lot_plan import plan_document
from benchlog.evaluation.lots import lots_with_benches
from benchlog.exchange.dataset import local_folder, packs
from benchlog.exchange.dataset.addresses import folder_at
from benchlog.exchange.dataset.compact import compact
from benchlog.exchange.dataset.local_folder import LocalFolder
from benchlog.exchange.dataset.lots import chips_of_dataset, lots_of_dataset
from benchlog.exchange.dataset.run_list import runs_of_dataset
from benchlog.exchange.dataset.write import Written, write_dataset
from benchlog.exchange.export.run_export import export_run
from benchlog.exchange.import_file import import_file
from benchlog.model import Event, EventKind, Lot
from benchlog.store import identity
from benchlog.store.backup import back_up
from benchlog.store.integrity.quarantine import RUN
from benchlog.store.reader import Reader
from benchlog.store.rows import Amendment
from benchlog.store.writer import Writer
from benchlog.verdict.lot.sampling_plan import custom_plan

LATER_NS = 1_950_000_000 * 10**9
RUNS = 6
"""Of a bench: two lots of three devices."""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "set"


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    return bench_database(tmp_path, 0, 2, 3)


def send(folder: Path, *databases: Path) -> list[Written]:
    found = []
    for path in databases:
        with Reader.open(path) as reader:
            found.append(write_dataset(reader, folder))
    return found


def measure(path: Path, *devices: str, clock: VirtualClock | None = None) -> None:
    """Go on with a bench: a run of each device, its readings as a factory's are few."""
    with Writer.open(path, clock or VirtualClock(now_utc_ns=LATER_NS)) as writer:
        for device in devices:
            run, segment = begin(writer, device)
            writer.commit(rows(run, segment, READINGS))
            writer.end_run(run, "stopped")
            clock_of(writer).sleep(60.0)


def void(path: Path) -> None:
    """Declare the first run of a bench void, as is done later."""
    with Writer.open(path, VirtualClock(now_utc_ns=LATER_NS)) as writer:
        writer.amend(1, Amendment(kind="void", reason="probe off"))


def counts(folder: Path) -> tuple[int, int]:
    """Return how many runs and readings the views of the dataset have."""
    counted = "select (select count(*) from runs), (select count(*) from readings)"
    ((runs, readings),) = ask(folder, counted)
    return runs, readings


def counted(runs: int) -> tuple[int, int]:
    return runs, runs * READINGS


def test_a_corrected_run_is_there_once(bench, folder):
    send(folder, bench)
    with Writer.open(bench, VirtualClock(now_utc_ns=LATER_NS)) as writer:
        typed = Amendment(kind="device", reason="typed wrong", old="x", new="KX-9")
        writer.amend(1, typed)
    send(folder, bench)
    assert counts(folder) == counted(RUNS)
    assert ask(folder, "select device from runs where run = 1") == [("KX-9",)]


@pytest.mark.parametrize("found_out", [True, seldom(False)])
def test_benches_begun_from_one_file_keep_each_others_runs(
    found_out, bench, folder, tmp_path, monkeypatch
):
    """Also where the copy cannot be found out: a disk that was cloned."""
    if not found_out:
        monkeypatch.setattr(identity, "place_of", lambda path: "anywhere")
        with Writer.open(bench, VirtualClock()):
            pass
    other = Path(shutil.copy(bench, tmp_path / "other.db"))
    measure(bench, "A-1", "A-2")
    measure(other, "B-1", "B-2", "B-3")
    sources = {one.source for one in send(folder, bench, other, bench, other)}
    assert len(sources) == (2 if found_out else 1)
    assert counts(folder) == counted(RUNS + 5)
    compact(folder)
    send(folder, bench, other)
    assert counts(folder) == counted(RUNS + 5)


def test_an_older_copy_does_not_take_back_what_was_told_since(
    bench, folder, tmp_path, monkeypatch
):
    monkeypatch.setattr(identity, "place_of", lambda path: "anywhere")
    Writer.open(bench, VirtualClock()).close()
    before = Path(shutil.copy(bench, tmp_path / "before.db"))
    void(bench)
    send(folder, bench, before)
    assert ask(folder, "select void from runs where run = 1") == [("probe off",)]
    assert counts(folder) == counted(RUNS)


@pytest.mark.campaign  # runs are known by their uuid in the test below, too
def test_a_merged_database_beside_its_benches_adds_nothing(bench, folder, tmp_path):
    benches = [bench, *(bench_database(tmp_path, n, 2, 3) for n in (1, 2))]
    merged = tmp_path / "all.db"
    with Writer.open(merged, VirtualClock(now_utc_ns=LATER_NS)) as writer:
        for path in benches:
            writer.merge(path)
    send(folder, merged, *benches, merged)
    assert counts(folder) == counted(3 * RUNS)
    ((devices,),) = ask(folder, "select count(*) from inspected_devices")
    assert devices == 3 * RUNS
    wanted = {}
    for path in benches:
        with Reader.open(path) as reader:
            wanted |= {r.lot.lot: r.standing for r, _ in lots_with_benches(reader)}
    assert {r.lot.lot: r.standing for r, _ in lots_of_dataset(folder)} == wanted


def test_what_was_backed_up_restored_or_imported_adds_nothing(bench, folder, tmp_path):
    backup = tmp_path / "backup.db"
    back_up(bench, backup)
    measure(bench, "A-1")
    with Reader.open(bench) as reader:
        export_run(reader, 2, "jsonl", tmp_path / "2.jsonl")
    with Writer.open(tmp_path / "desk.db", VirtualClock(now_utc_ns=LATER_NS)) as desk:
        import_file(tmp_path / "2.jsonl", desk, VirtualClock(now_utc_ns=LATER_NS))
    send(folder, tmp_path / "desk.db", bench, backup)
    shutil.copy(backup, bench)
    measure(bench, "A-2")
    send(folder, bench)
    assert counts(folder) == counted(RUNS + 2)
    two = "select purpose, imported, bench from runs where run = 2"
    assert ask(folder, two) == [("inspect", False, "bench-0")]


@pytest.mark.parametrize("copies", [2, seldom(4)])
def test_a_lot_of_two_benches_keeps_the_plan_it_was_opened_with_first(
    folder, tmp_path, copies
):
    """Whichever copies are there: names of databases are drawn by lot, and change."""
    for opened in (3, 1, 2):
        moment = VirtualClock(now_utc_ns=LATER_NS + opened)
        path = tmp_path / f"{opened}.db"
        with Writer.open(path, moment) as writer:
            body = plan_document(custom_plan(50, opened + 4, 0))
            writer.open_lot(Lot(lot="L", part_id=PART.id, size=50, plan=body), PART)
        measure(path, f"of bench {opened}")
        for copy in range(copies):
            back_up(path, tmp_path / f"{opened}-{copy}.db")
            send(folder, tmp_path / f"{opened}-{copy}.db")
        ((report, _),) = lots_of_dataset(folder)
        ((told,),) = ask(folder, "select plan from lots")
        first = 7 if opened == 3 else 5
        assert report.plan.sample_size == first
        assert json.loads(told)["sample_size"] == first


def test_readings_find_their_runs_across_benches(bench, folder, tmp_path):
    send(folder, bench, bench_database(tmp_path, 1, 2, 3))
    found = ask(
        folder,
        "select u.bench, u.device, count(*), avg(r.offset_ppm) - avg(u.offset_ppm)"
        " from readings r join runs u on u.run_uid = r.run_uid group by all",
    )
    assert len(found) == 2 * RUNS
    assert {row[2] for row in found} == {READINGS}
    assert max(abs(row[3]) for row in found) < 1e-6


@pytest.mark.parametrize("command", ["export", "lots"])
def test_an_address_makes_no_folder(command, bench, tmp_path):
    done = run(
        [*PROGRAM, command, "--dataset", "ftp://lab/set"]
        + (["--db", str(bench)] if command == "export" else []),
        cwd=tmp_path,
        env=environment(),
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2
    assert "ftp:" in done.stderr
    assert not (tmp_path / "ftp:").exists()


# --- only what has changed, and all of it or nothing


def test_what_has_not_changed_is_not_read_again(bench, folder):
    send(folder, bench)
    before = stamps(folder)
    (again,) = send(folder, bench)
    assert (again.files, again.readings, again.runs) == (0, 0, RUNS)
    assert stamps(folder) == before
    measure(bench, "A-1")
    (third,) = send(folder, bench)
    assert third.readings == READINGS
    assert counts(folder) == counted(RUNS + 1)


def stamps(folder: Path) -> dict[Path, int]:
    return {path: path.stat().st_mtime_ns for path in folder.rglob("*.parquet")}


def test_a_run_that_is_filed_under_another_part_moves(bench, folder):
    send(folder, bench)
    with Writer.open(bench, VirtualClock(now_utc_ns=LATER_NS)) as writer:
        writer.amend(1, Amendment(kind="lot", reason="other reel", new="L-other"))
    send(folder, bench)
    assert counts(folder) == counted(RUNS)
    assert ask(folder, "select lot from runs where run = 1") == [("L-other",)]
    lot = "select distinct lot from readings where run = 1"
    assert ask(folder, lot) == [("L-other",)]


def test_a_compacted_dataset_answers_alike_and_goes_on(bench, folder, tmp_path):
    benches = [bench, *(bench_database(tmp_path, n, 2, 3) for n in (1, 2))]
    send(folder, *benches)
    question = "select run_uid, source, word, offset_ppm from results order by 1"
    before = ask(folder, question)
    done = compact(folder)
    assert (done.before, done.after) == (6, 2)
    assert compact(folder).before == 2
    assert ask(folder, question) == before
    assert [one.readings for one in send(folder, *benches)] == [0, 0, 0]
    assert len(packs.packs_of(folder_at(folder))) == 1
    void(bench)
    assert [one.readings for one in send(folder, bench)] == [READINGS]
    assert counts(folder) == counted(3 * RUNS)
    assert ask(folder, "select count(*) from runs where void = 'probe off'") == [(1,)]
    compact(folder)
    assert counts(folder) == counted(3 * RUNS)
    assert ask(folder, "select count(*) from run_copies") == [(3 * RUNS,)]


def test_a_run_put_into_quarantine_leaves_a_compacted_dataset(bench, folder, tmp_path):
    other = bench_database(tmp_path, 1, 2, 3)
    send(folder, bench, other)
    compact(folder)
    with Writer.open(bench, VirtualClock(now_utc_ns=LATER_NS)) as writer:
        writer.put_aside((RUN, 1), "its rows cannot be right", "0.0")
    send(folder, bench, other)
    assert counts(folder) == counted(2 * RUNS - 1)
    (uid,) = {row for (row,) in ask(folder, "select run_uid from readings")} ^ {
        uid for path in (bench, other) for uid in uids_of(path)
    }
    assert uid not in {row for (row,) in ask(folder, "select run_uid from run_copies")}
    assert [one.files for one in send(folder, bench, other)] == [0, 0]
    compact(folder)
    assert counts(folder) == counted(2 * RUNS - 1)
    with Writer.open(bench, VirtualClock(now_utc_ns=LATER_NS)) as writer:
        writer.release((RUN, 1), "looked at", "0.0")
    send(folder, bench)
    assert counts(folder) == counted(2 * RUNS)


def uids_of(path: Path) -> frozenset[str]:
    with Reader.open(path) as reader:
        return reader.run_uids()


# one write: the readings are there, and nothing tells of them yet
@pytest.mark.parametrize("writes", [1, *map(seldom, (0, 2, 3, 4, 5))])
def test_an_export_that_ends_midway_leaves_a_whole_dataset(
    writes, bench, folder, monkeypatch
):
    """Whoever looks finds each run with all of its readings, before and after."""
    send(folder, bench)
    void(bench)
    measure(bench, "A-1")
    left = [writes]

    def interrupted(step):
        def done(*args, **more):
            if not left[0]:
                raise BenchlogError("the plug was pulled")
            left[0] -= 1
            return step(*args, **more)

        return done

    with monkeypatch.context() as broken:
        for place, name in ((local_folder, "finished"), (LocalFolder, "remove")):
            broken.setattr(place, name, interrupted(getattr(place, name)))
        try:
            send(folder, bench)
        except BenchlogError:
            ((runs, readings, parted),) = ask(
                folder,
                "select count(distinct run_uid), sum(n), count(*) filter (n <> 4) from"
                " (select run_uid, count(*) as n from readings group by run_uid)",
            )
            assert (readings, parted) == (runs * READINGS, 0)
            assert runs in (RUNS, RUNS + 1)
    send(folder, bench)
    assert counts(folder) == counted(RUNS + 1)
    assert len(list(folder.rglob("readings/**/*.parquet"))) == 2


@pytest.mark.parametrize("kills", [1, pytest.param(3, marks=pytest.mark.campaign)])
def test_killed_exports_leave_a_whole_dataset(bench, folder, tmp_path, kills):
    benches = [bench, *(bench_database(tmp_path, n, 2, 3) for n in range(1, kills))]
    send(folder, *benches)
    for path in benches:
        measure(path, f"{path.stem}-more")
    words = [sys.executable, "-m", "benchlog.cli", "export", "--dataset", str(folder)]
    for number, path in enumerate(benches):
        child = subprocess.Popen(
            [*words, "--db", str(path)], env=environment(), stderr=subprocess.DEVNULL
        )
        host_sleep(0.3 * (number + 1) if kills > 1 else 0.5)
        child.kill()
        child.wait(30)
        runs, readings = counts(folder)
        assert readings == runs * READINGS
        assert kills * RUNS <= runs <= kills * (RUNS + 1)
    send(folder, *benches)
    assert counts(folder) == counted(kills * (RUNS + 1))
    assert not list(folder.rglob("*.part"))


def test_what_a_killed_export_left_is_removed_by_the_next(bench, folder):
    """Each pack has a name of its own: nobody writes that of the killed one again."""
    send(folder, bench)
    (place,) = {path.parent for path in (folder / "readings").rglob("*.parquet")}
    left, held = place / ".a.1f.parquet.77.part", place / ".a.2f.parquet.78.part"
    left.write_bytes(b"half")
    strange = place / ".notes.part"
    strange.write_bytes(b"a stranger's")
    with held.open("wb") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        void(bench)
        send(folder, bench)
        assert (left.exists(), held.exists(), strange.exists()) == (False, True, True)
    void(bench)
    send(folder, bench)
    assert not held.exists()


@pytest.mark.parametrize("table", ["runs", "readings", "lots"])
def test_a_file_that_is_cut_off_is_named_and_nothing_is_lost(table, bench, folder):
    send(folder, bench)
    (path,) = (folder / table).rglob("*.parquet")
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    void(bench)
    with pytest.raises(DataError, match=re.escape(path.name)):
        send(folder, bench)
    if table != "readings":
        with pytest.raises(DataError, match="is damaged"):
            list(lots_of_dataset(folder))
    path.write_bytes(whole)
    send(folder, bench)
    assert counts(folder) == counted(RUNS)


def test_a_list_that_is_asked_for_while_packs_are_replaced_is_whole(
    bench, folder, monkeypatch
):
    send(folder, bench)
    ask_packs = packs.packs_of
    looked = []

    def stale(*where):
        found = ask_packs(*where)
        if not looked:  # an export comes in between
            looked.append(found)
            void(bench)
            send(folder, bench)
        return found

    monkeypatch.setattr("benchlog.exchange.dataset.read.packs_of", stale)
    found = list(runs_of_dataset(folder, ANY, {}))
    assert [one["void"] for one in found if one["run"] == 1] == ["probe off"]
    assert len(found) == RUNS


# --- datasets of the older form


@pytest.fixture
def older(folder: Path) -> Path:
    """Of `factory.db` of the corpus, sent twice: as it was, and once corrected."""
    shutil.unpack_archive(Path(__file__).with_name("older_dataset.zip"), folder)
    return folder


def test_an_older_dataset_is_read_as_it_is(older, tmp_path):
    factory = corpus(tmp_path, "factory")
    with Reader.open(factory) as reader:
        wanted = {r.lot.lot: r.standing.passed for r, _ in lots_with_benches(reader)}
    found = {r.lot.lot: r.standing.passed for r, _ in lots_of_dataset(older)}
    assert found == wanted, "and no run of it twice, as its own questions had them"


def test_an_older_dataset_is_converted_and_gives_way(older, bench, tmp_path):
    factory = corpus(tmp_path, "factory")
    with Reader.open(factory) as reader:
        inside = len(list(reader.all_runs()))
        wanted = {r.lot.lot: lot_document(r) for r, _ in lots_with_benches(reader)}
    assert len(old_files(older)) == 12
    send(older, bench)
    assert old_files(older) == []
    assert counts(older) == counted(RUNS + inside)
    send(older, factory)
    assert counts(older) == counted(RUNS + inside)
    sources = ask(older, "select distinct length(source) from run_copies")
    assert sources == [(36,)], "what came from the older form gave way to the database"
    found = {r.lot.lot: lot_document(r) for r, _ in lots_of_dataset(older)}
    assert {lot: found[lot] for lot in wanted} == wanted


def corpus(folder: Path, name: str) -> Path:
    kept = Path(__file__).parents[1] / "frozen" / "corpus" / f"{name}.db"
    path = Path(shutil.copy(kept, folder / f"{name}.db"))
    Writer.open(path, VirtualClock()).close()
    return path


def old_files(folder: Path) -> list[str]:
    return [os.fspath(p) for p in sorted(folder.rglob("lot=*/**/*.parquet"))]


def test_strangers_files_stay(older, bench):
    strange = [older / "runs" / "notes.txt", older / "runs" / "part=x" / "mine.parquet"]
    for path in strange:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"PAR1")
    send(older, bench)
    compact(older)
    assert all_there(strange)


def all_there(paths: Iterable[Path]) -> bool:
    return all(path.read_bytes() == b"PAR1" for path in paths)


# --- lists of a dataset, as of the databases


ANY = dict.fromkeys(("device", "part", "lot", "like", "verdict", "since"))


def test_the_runs_of_a_dataset_are_listed_as_those_of_a_database(bench, folder):
    with Writer.open(bench, VirtualClock(now_utc_ns=LATER_NS)) as writer:
        writer.amend(1, Amendment(kind="void", reason="probe off"))
        typed = Amendment(kind="device", reason="typed wrong", old="x", new="KX-9")
        writer.amend(2, typed)
    send(folder, bench)
    with Reader.open(bench) as reader:
        wishes = [
            ANY,
            {**ANY, "device": "KX-9"},
            {**ANY, "like": "kx-"},
            {**ANY, "verdict": "does-not-count"},
            {**ANY, "lot": reader.run(4).lot},
            {**ANY, "since": reader.run(3).started_utc_ns},
        ]
        for wish in wishes:
            wanted = [as_document(one) for one in found_in(reader, wish)]
            found = list(runs_of_dataset(folder, wish, {}))
            same = [name for name in wanted[0] if name in found[0]]
            assert len(same) > 18
            assert [{name: one[name] for name in same} for one in found] == [
                {name: one[name] for name in same} for one in wanted
            ]


def test_the_chips_of_a_dataset_are_those_of_a_database(bench, folder):
    with Writer.open(bench, VirtualClock(now_utc_ns=LATER_NS)) as writer:
        writer.amend(1, Amendment(kind="void", reason="probe off"))
        writer.commit([(2, 0, Event(1, 1, EventKind.MARK, "warm hands"))])
    send(folder, bench)
    with Reader.open(bench) as reader:
        for lot in reader.lots():
            chips, shared = chips_of(reader, lot.lot)
            found = chips_of_dataset(folder, lot.lot, {})
            assert (sorted(found[0], key=str), found[1]) == (
                sorted(chips, key=str),
                shared,
            )


def test_the_questions_are_plain_sql(bench, folder, tmp_path):
    """Another engine answers them under the same names, unchanged, where it is here."""
    datafusion = pytest.importorskip("datafusion", reason="needs a second engine")
    send(folder, bench, bench_database(tmp_path, 1, 2, 3))
    context = datafusion.SessionContext()
    keys = [(name, pyarrow.string()) for name in ("part", "month")]
    for table in ("run", "reading"):
        where = os.fspath(folder / f"{table}s")
        context.register_parquet(f"{table}_copies", where, table_partition_cols=keys)
    context.register_parquet("lot_copies", os.fspath(folder / "lots"))
    text = re.sub("--.*", "", (folder / "queries.sql").read_text())
    for sql in text.split(";"):
        if sql.strip() and "read_parquet" not in sql:
            context.sql(sql).collect()
    for view in ("runs", "readings", "yield_per_week", "bench_against_others"):
        sql = f"select count(*) from {view}"
        ((wanted,),) = ask(folder, sql)
        assert context.sql(sql).collect()[0].column(0).to_pylist() == [wanted]


def test_nothing_of_one_engine_is_in_the_questions():
    text = (files("benchlog.exchange.dataset") / "queries.sql").read_text()
    plain = text.split("view lot_copies", 1)[1].split(";", 1)[1]
    for word in ("qualify", "group by all", "filter (", "::", "regr_", "quantile",
                 "read_parquet", "any_value", "time zone", "date_trunc"):  # fmt: skip
        assert word not in plain, word


def test_a_device_measured_on_two_benches_is_told_by_run_and_bench(tmp_path, folder):
    """Each has it as run 1: the newer one counts, and the older one tells so."""
    for number, name in enumerate(("one", "two")):
        clock = VirtualClock(now_utc_ns=LATER_NS + number * 10**12)
        with Writer.open(tmp_path / f"{name}.db", clock) as writer:
            bench = replace(BENCH, name=name)
            run = writer.begin_run(plan("KX-1", lot="L1", bench=bench), {}, TIMEBASE)
            writer.commit(rows(run, writer.begin_segment(run), READINGS))
            writer.end_run(run, "stopped")
    send(folder, tmp_path / "one.db", tmp_path / "two.db")
    ((report, benches),) = lots_of_dataset(folder)
    assert benches == ("one", "two")
    assert [one.bench for one in report.results] == ["two"]
    assert [run.bench for run, _ in report.not_counted] == ["one"]
