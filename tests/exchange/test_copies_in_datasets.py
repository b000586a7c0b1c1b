"""Copies of a database in one dataset: what was said last of a run counts, wherever.

Two copies go on apart; a correction in one does not take back what the other has said.
"""

from dataclasses import replace
from pathlib import Path

import pytest
from exchange.asking import ask
from exchange.factory import bench_database
from exchange.test_counting_in_datasets import insert
from pyarrow import parquet
from seeds import seeded_random

from benchlog.cli.run_result import evaluated
from benchlog.cli.tasks.amending import against, verdict_again
from benchlog.clock import VirtualClock
from benchlog.exchange.dataset.compact import compact
from benchlog.exchange.dataset.lots import chips_of_dataset, lots_of_dataset
from benchlog.exchange.dataset.run_list import runs_of_dataset
from benchlog.exchange.dataset.write import write_dataset
from benchlog.model import Event, EventKind
from benchlog.store.backup import back_up
from benchlog.store.reader import Reader
from benchlog.store.rows import Amendment
from benchlog.store.writer import Writer
from benchlog.verdict.lot.lot_runs import word_of

LATER_S = 1_950_000_000
VOID = Amendment(kind="void", reason="probe off")
RESTORE = Amendment(kind="restore", reason="it was on")
CORRECTED = Amendment(kind="operator", reason="typed wrong", new="KS")
ANY = dict.fromkeys(("device", "part", "lot", "like", "verdict", "since"))
SAID = ("void", "aside", "damaged", "device", "lot", "operator", "judged")
NEW_COLUMNS = ["aside", "unfinished", "replaced", *(f"{one}_utc_ns" for one in SAID)]
"""What files of before have not."""
NAMES = ("device", "lot", "operator")


@pytest.fixture
def copies(tmp_path: Path) -> list[Path]:
    """Two copies of a bench of one lot with three devices."""
    found = [bench_database(tmp_path, 0, 1, 3)]
    back_up(found[0], tmp_path / "copy.db")
    return [*found, tmp_path / "copy.db"]


def told_of_first(copies: list[Path], folder: Path) -> list[tuple]:
    """Return what the list and the queries tell of run 1: its states."""
    uid = uid_of_first(copies[0])
    return [found[uid][:4] for found in (listed(folder), asked(folder))]


def say(path: Path, what: Amendment | EventKind, minute: int, run: int = 1) -> None:
    utc_ns = (LATER_S + 60 * minute) * 10**9
    with Writer.open(path, VirtualClock(now_utc_ns=utc_ns)) as writer:
        if isinstance(what, Amendment):
            writer.amend(run, what)
        else:
            writer.commit([(run, 0, Event(utc_ns, utc_ns, what, "it fell"))])


def send(folder: Path, *databases: Path) -> None:
    for path in databases:
        with Reader.open(path) as reader:
            write_dataset(reader, folder)


def listed(folder: Path) -> dict[str, tuple]:
    """Return of each run by its UUID what `runs --dataset` tells of it."""
    names = ("void", "counts", "does_not_count", "damaged", *NAMES, "part")
    return {
        row["run_uid"]: tuple(row[name] for name in names)
        for row in runs_of_dataset(folder, ANY, {})
    }


def asked(folder: Path) -> dict[str, tuple]:
    """Return the same by the queries in the dataset."""
    sql = f"""select run_uid, void, counts, does_not_count, damaged, {", ".join(NAMES)},
        part from runs"""
    return {uid: tuple(rest) for uid, *rest in ask(folder, sql)}


def in_database(path: Path) -> dict[str, tuple]:
    """Return the same of a database."""
    with Reader.open(path) as reader:
        return {
            run.uid: (
                *(run.void, run.counts, run.why_not_counted or None, run.damaged),
                *(run.device, run.lot, run.operator or None),
                run.part.id,
            )
            for run in reader.all_runs()
        }


def correct_part(path: Path, minute: int, run: int = 1) -> str:
    """Correct a run to a part of a twentieth of the tolerance; return what it is."""
    clock = VirtualClock(now_utc_ns=(LATER_S + 60 * minute) * 10**9)
    with Writer.open(path, clock) as writer, Reader.open(path) as reader:
        found = reader.run(run)
        tight = replace(found.part.limits, tolerance_ppm=1.0)
        part = replace(found.part, id="tighter", limits=tight)
        row = Amendment(kind="part", reason="typed", old=found.part_id, new=part.id)
        anew = evaluated(reader, replace(against(found, part), part_id=part.id))
        writer.amend(run, row, judged=verdict_again(reader, anew, "typed"))
    with Reader.open(path) as reader:
        return reader.verdicts(run)[-1].word


def uid_of_first(path: Path) -> str:
    with Reader.open(path) as reader:
        return reader.run(1).uid


def passed(folder: Path) -> tuple[int, int, int]:
    """Return how many devices passed by the lot, its chips and the shipped question."""
    ((lot, _),) = lots_of_dataset(folder)
    chips, _ = chips_of_dataset(folder, lot.lot.lot, {})
    sql = "select count(*) from inspected_devices where word = 'pass'"
    ((devices,),) = ask(folder, sql)
    by_lot = sum(one.counts and word_of(one) == "pass" for one in lot.runs)
    return by_lot, sum(one.word == "pass" for one in chips), devices


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize("compacted", [False, True])
def test_a_correction_in_another_copy_hides_no_void(
    turned, compacted, copies, tmp_path
):
    say(copies[0], VOID, 1)
    say(copies[1], CORRECTED, 2)
    folder = tmp_path / "set"
    send(folder, *(copies[::-1] if turned else copies))
    if compacted:
        compact(folder)
    void = ("probe off", False, "void (probe off)", False)
    assert told_of_first(copies, folder) == [void, void]
    assert passed(folder) == (2, 2, 2)
    assert ask(folder, "select operator from runs where run = 1") == [("KS",)]


def test_a_restore_counts_though_another_copy_has_the_void_and_a_correction(
    copies, tmp_path
):
    for path in copies:
        say(path, VOID, 1)
    say(copies[0], RESTORE, 2)
    say(copies[1], CORRECTED, 3)
    send(tmp_path / "set", *copies)
    fine = (None, True, None, False)
    assert told_of_first(copies, tmp_path / "set") == [fine, fine]
    assert passed(tmp_path / "set") == (3, 3, 3)


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize("compacted", [False, True])
def test_a_correction_in_another_copy_hides_no_other_part(
    turned, compacted, copies, tmp_path
):
    """Both had the wrong part; one copy put it right, and the other told more since."""
    with Reader.open(copies[0]) as reader:
        assert reader.verdicts(1)[-1].word == "pass"
    assert correct_part(copies[0], 1) == "fail"
    say(copies[1], CORRECTED, 2)
    folder = tmp_path / "set"
    send(folder, *(copies[::-1] if turned else copies))
    if compacted:
        compact(folder)
    ((row,),) = ([one for one in runs_of_dataset(folder, ANY, {}) if one["run"] == 1],)
    assert (row["part"], row["verdict"], row["operator"]) == ("tighter", "fail", "KS")
    sql = "select part, verdict, operator, limit_ppm from runs where run = 1"
    assert ask(folder, sql) == [("tighter", "fail", "KS", 1.0)]
    assert ask(folder, "select distinct part from readings where run = 1") == [
        ("tighter",)
    ]


@pytest.mark.parametrize("kind", [EventKind.DAMAGED, EventKind.SET_ASIDE])
def test_a_correction_in_another_copy_hides_no_damage(kind, copies, tmp_path):
    say(copies[0], kind, 1)
    say(copies[1], CORRECTED, 2)
    send(tmp_path / "set", *copies)
    assert passed(tmp_path / "set") == (2, 2, 2)
    wanted = in_database(copies[0])[uid_of_first(copies[0])][:4]
    assert told_of_first(copies, tmp_path / "set") == [wanted, wanted]


def test_a_newer_run_that_another_copy_voids_gives_its_place_back(tmp_path):
    bench, copy = bench_database(tmp_path, 0, 1, 3), tmp_path / "copy.db"
    with Reader.open(bench) as reader:
        device = reader.run(1).device
    again = insert(bench, device, 3.0)
    back_up(bench, copy)
    say(bench, VOID, 1, again)
    send(tmp_path / "set", bench, copy)
    assert passed(tmp_path / "set") == (3, 3, 3)


@pytest.mark.parametrize("old", [0, 1])
def test_a_file_of_before_hides_no_void_and_has_its_own(old, copies, tmp_path):
    say(copies[0], VOID, 1)
    if not old:  # it is told by when its row is of
        say(copies[0], CORRECTED, 3)
    say(copies[1], CORRECTED, 2)
    folder = tmp_path / "set"
    send(folder, *copies)
    with Reader.open(copies[old]) as reader:
        source = reader.database_uid()
    files = list((folder / "runs").rglob(f"{source}*.parquet"))
    assert files
    for file in files:
        table = parquet.ParquetFile(file).read()
        parquet.write_table(table.drop_columns(NEW_COLUMNS), file)
    void = ("probe off", False, "void (probe off)", False)
    assert told_of_first(copies, folder) == [void, void]
    assert passed(folder) == (2, 2, 2)


def test_a_dataset_of_before_is_read_as_it_was(copies, tmp_path):
    say(copies[0], VOID, 1)
    say(copies[0], EventKind.DAMAGED, 2, 2)
    say(copies[0], EventKind.SET_ASIDE, 2, 3)
    send(tmp_path / "set", *copies)
    before = listed(tmp_path / "set")
    for file in (tmp_path / "set" / "runs").rglob("*.parquet"):
        table = parquet.ParquetFile(file).read()
        parquet.write_table(table.drop_columns(NEW_COLUMNS), file)
    assert before == listed(tmp_path / "set") == in_database(copies[0])


@pytest.mark.parametrize("seed", range(4))
def test_copies_in_a_dataset_tell_what_their_merge_tells(seed, copies, tmp_path):
    draw = seeded_random(seed)
    states = [VOID, RESTORE, EventKind.SET_ASIDE, EventKind.RESTORED,
              EventKind.DAMAGED, EventKind.UNDAMAGED]  # fmt: skip
    part_at = draw.randint(1, 15)
    for minute in range(1, 16):
        kind = draw.choice(NAMES)
        named = Amendment(kind=kind, reason="typed wrong", new=f"N{minute}")
        what = draw.choice([*states, named, named])
        if minute == part_at:
            correct_part(copies[0], minute, draw.randint(1, 3))
        say(draw.choice(copies), what, minute, draw.randint(1, 3))
    send(tmp_path / "set", *draw.sample(copies, 2))
    last = VirtualClock(now_utc_ns=(LATER_S + 3600) * 10**9)
    with Writer.open(tmp_path / "all.db", last) as writer:
        for path in copies:
            writer.merge(path)
    wanted = in_database(tmp_path / "all.db")
    assert listed(tmp_path / "set") == wanted
    assert asked(tmp_path / "set") == wanted


def test_a_void_reaches_the_dataset_after_the_file_was_put_back(tmp_path: Path) -> None:
    """Before, it had the number of the one that went with the old state: unchanged."""
    bench = bench_database(tmp_path, 0, 1, 3)
    monday = bench.read_bytes()
    say(bench, VOID, 1, run=1)
    send(tmp_path / "all", bench)
    bench.write_bytes(monday)  # the same file on the disk, so of the same UUID
    say(bench, VOID, 2, run=2)
    send(tmp_path / "all", bench)
    with Reader.open(bench) as reader:
        uid = reader.run(2).uid
    assert listed(tmp_path / "all")[uid][0] == "probe off"
    assert asked(tmp_path / "all")[uid][0] == "probe off"
