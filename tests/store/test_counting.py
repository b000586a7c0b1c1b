"""Whether a run counts: one rule, the same in SQL and here, for each state there is."""

import shutil
import sqlite3
from pathlib import Path

import pytest
from store.making import begin, clock_of, rows

from benchlog.cli.commands.chips import chips_of
from benchlog.clock import VirtualClock
from benchlog.model import Event, EventKind, Purpose
from benchlog.store.reader import Reader
from benchlog.store.rows import Amendment, VerdictRow
from benchlog.store.writer import Writer

CORPUS = Path(__file__).parents[1] / "frozen" / "corpus"
DATABASES = sorted(path.stem for path in CORPUS.glob("*.db"))


def by_any_tool(path: Path, sql: str) -> list[tuple]:
    """Ask with Python's own SQLite, that knows nothing of us."""
    connection = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    try:
        return connection.execute(sql).fetchall()
    finally:
        connection.close()


def counted_here(path: Path) -> dict[int, tuple[int, str | None]]:
    with Reader.open(path) as reader:
        runs = list(reader.all_runs())
    return {run.id: (int(run.counts), run.why_not_counted or None) for run in runs}


def counted_in_sql(path: Path) -> dict[int, tuple[int, str | None]]:
    sql = "select run, counts, does_not_count from runs_named"
    return {run: (counts, why) for run, counts, why in by_any_tool(path, sql)}


class Made:
    """Runs of the states there are, each an hour after the one before."""

    def __init__(self, writer: Writer) -> None:
        self.writer = writer

    def run(
        self,
        device: str,
        how: str | None = "verdict clear",
        *,
        word: str | None = "pass",
        kind: EventKind | None = None,
        **more: object,
    ) -> int:
        more = {"until_clear": True, **more}
        clock_of(self.writer).sleep(3600.0)
        run, segment = begin(self.writer, device, **more)
        self.writer.commit(rows(run, segment, 3))
        if kind is not None:
            self.writer.commit([(run, segment, Event(1, 1, kind, "said"))])
        if how is not None:
            self.writer.end_run(run, how)
        if word is not None:
            figures = {"readings": 3}
            row = VerdictRow(word=word, offset_ppm=1.0, u_ppm=0.1, figures=figures)
            self.writer.add_verdict(run, row)
        return run

    def amend(self, run: int, kind: str, new: str | None = None, why: str = "x") -> int:
        self.writer.amend(run, Amendment(kind=kind, new=new, reason=why))
        return run


@pytest.fixture
def made(writer: Writer) -> Made:
    return Made(writer)


@pytest.mark.parametrize("name", DATABASES)
def test_sql_tells_of_the_corpus_what_the_rule_does(name, tmp_path):
    for path in CORPUS.glob(f"{name}.db*"):
        shutil.copy(path, tmp_path)
    path = tmp_path / f"{name}.db"
    Writer.open(path, VirtualClock()).close()  # brings it up to date
    here = counted_here(path)
    assert here and counted_in_sql(path) == here


def test_each_state_has_its_reason_in_sql_and_here(writer, made):
    inspect, aside = Purpose.INSPECT, EventKind.SET_ASIDE
    none = {"until_clear": False}
    expected = {
        made.run("GOOD"): None,
        made.run("STOPPED", "stopped"): None,
        made.run("OPEN", None, word=None): "not ended",
        made.run("AGAIN", "measured again"): "measured again",
        made.run("BACK", kind=aside): "taken back",
        made.run("OUT", "device removed", kind=aside): "device removed",
        made.run("BROKEN", "broken off", kind=aside): "broken off",
        made.run("CTRL-C", "interrupted"): "interrupted",
        made.run("HANG-UP", "terminal closed", max_s=60.0): "terminal closed",
        made.run("SILENT", "no readings came", max_readings=9): "no readings came",
        made.run("ENDLESS", "interrupted", purpose=Purpose.SOAK, **none): None,
        made.run("CHECK", "interrupted", purpose=Purpose.REFCHECK): None,
        made.run("CODE", "best code found", purpose=Purpose.TRIM, **none): None,
        made.run("NO-CODE", "interrupted", purpose=Purpose.TRIM, **none): (
            "interrupted: no best code found"
        ),
        made.run("GIVEN-UP", "stopped", purpose=Purpose.TRIM, **none): (
            "stopped: no best code found"
        ),
        made.run("OF-LOT", "broken off", purpose=Purpose.TRIM): "broken off",
        made.run("HALF", "import stopped", purpose=Purpose.IMPORT): "import stopped",
        made.run("DAMAGED", None, kind=EventKind.DAMAGED, purpose=inspect): None,
        made.run("UNJUDGED", word=None, purpose=inspect): "not judged",
        made.amend(made.run("VOID"), "void", why="probe off"): "void (probe off)",
        made.amend(made.run("VOID-2"), "void", why=""): "void",
        made.amend(made.amend(made.run("RESTORED"), "void"), "restore"): None,
    }
    told = {run: (int(why is None), why) for run, why in expected.items()}
    assert counted_here(writer.path) == told
    assert counted_in_sql(writer.path) == told


def test_the_newest_event_tells_whether_a_run_is_set_aside_held_or_damaged(
    writer, made
):
    aside, held, restored = EventKind.SET_ASIDE, EventKind.HELD, EventKind.RESTORED
    damaged, undamaged = EventKind.DAMAGED, EventKind.UNDAMAGED
    waits, back = "held until somebody answers", "taken back"
    histories = {
        (held,): waits,
        (aside, held): waits,
        (held, restored): None,
        (held, aside): back,
        (held, restored, held): waits,
        (aside, restored): None,
        (aside, restored, aside): back,
        (damaged, undamaged): None,
        (damaged, aside): back,
        (aside, undamaged): back,
        (damaged, restored): None,
    }
    told = {}
    for number, (kinds, why) in enumerate(histories.items()):
        run = made.run(f"D{number}")
        for kind in kinds:
            writer.commit([(run, 0, Event(1, 1, kind, "said"))])
        told[run] = (int(why is None), why)
    assert counted_here(writer.path) == told
    assert counted_in_sql(writer.path) == told
    sql = "select run, counts, does_not_count from results join runs_named using (run)"
    kept = {run for run, *_ in by_any_tool(writer.path, sql)}
    assert kept == {run for run, (counts, _) in told.items() if counts}
    sql = "select distinct run_id, counts, does_not_count from readings_named"
    found = {run: tuple(rest) for run, *rest in by_any_tool(writer.path, sql)}
    assert found == told
    sql = "select run from runs_named where damaged order by run"
    with Reader.open(writer.path) as reader:
        here = [run.id for run in reader.all_runs() if run.damaged]
    still = [
        list(told)[list(histories).index(kinds)]
        for kinds in histories
        if damaged in kinds and undamaged not in kinds
    ]
    assert [run for (run,) in by_any_tool(writer.path, sql)] == sorted(here) == still


def test_a_held_run_takes_no_place_until_it_is_restored(writer, made):
    of_lot = {"lot": "L1", "purpose": Purpose.INSPECT}
    first = made.run("A", **of_lot)
    second = made.run("A", kind=EventKind.HELD, **of_lot)
    assert counted_here(writer.path)[first] == (1, None)
    assert counted_in_sql(writer.path) == counted_here(writer.path)
    writer.commit([(second, 0, Event(2, 2, EventKind.RESTORED, "it is meant"))])
    assert counted_here(writer.path)[first][1] == f"measured again in run {second}"
    assert counted_in_sql(writer.path) == counted_here(writer.path)


def test_the_newest_run_of_a_device_in_a_lot_takes_the_place_of_those_before(
    writer, made
):
    of_lot = {"lot": "L1", "purpose": Purpose.INSPECT}
    first = made.run("A", **of_lot)
    second = made.run("A", **of_lot)
    back = made.run("A", kind=EventKind.SET_ASIDE, **of_lot)
    other = made.run("B", **of_lot)
    soak = made.run("A", "time reached", lot="L1", purpose=Purpose.SOAK)
    alone = made.run("A"), made.run("A")
    elsewhere = made.run("A", lot="L2", purpose=Purpose.INSPECT)
    mistyped = made.amend(made.run("a", **of_lot), "device", "B")
    said = counted_here(writer.path)
    assert counted_in_sql(writer.path) == said
    why = {run: reason for run, (_, reason) in said.items()}
    assert why[first] == f"measured again in run {second}"
    assert why[back] == "taken back"
    assert why[other] == f"measured again in run {mistyped}"
    assert not any(why[r] for r in (second, soak, *alone, elsewhere, mistyped))
    made.amend(second, "void", why="wrong tray")
    assert counted_here(writer.path)[first] == (1, None)
    assert counted_in_sql(writer.path) == counted_here(writer.path)
    made.amend(elsewhere, "lot", "L1", "typed L2")
    assert counted_here(writer.path)[first][1] == f"measured again in run {elsewhere}"
    assert counted_in_sql(writer.path) == counted_here(writer.path)


def test_a_run_that_was_marked_never_takes_the_place_of_a_clean_one(writer, made):
    of_lot = {"lot": "L1", "purpose": Purpose.INSPECT}
    clean = made.run("A", **of_lot)
    warmed = made.run("A", kind=EventKind.MARK, **of_lot)
    only = made.run("B", kind=EventKind.MARK, **of_lot)
    early = made.run("C", kind=EventKind.MARK, **of_lot)
    late = made.run("C", **of_lot)
    broken = made.run("D", **of_lot)
    damaged = made.run("D", kind=EventKind.DAMAGED, **of_lot)
    made.writer.commit([(damaged, 0, Event(2, 2, EventKind.MARK, "warming"))])
    said = counted_here(writer.path)
    assert counted_in_sql(writer.path) == said
    why = {run: reason for run, (_, reason) in said.items()}
    assert why[warmed] == f"marked: run {clean}, without a mark, counts"
    assert why[early] == f"marked: run {late}, without a mark, counts"
    assert why[broken] == f"measured again in run {damaged}"
    assert not any(why[run] for run in (clean, only, late, damaged))
    with Reader.open(writer.path) as reader:
        chips, _ = chips_of(reader, "L1")
    assert {chip.device: chip.run for chip in chips} == {"A": clean, "C": late}


def test_results_have_one_row_a_device_its_newest_run_that_counts(writer, made):
    made.run("A", word="fail")
    kept = made.run("A")
    made.run("A", word="fail", kind=EventKind.SET_ASIDE)
    made.run("B", kind=EventKind.DAMAGED)
    made.run("C", "interrupted")
    made.run("D", purpose=Purpose.REFCHECK)
    in_lot = made.run("A", lot="L1", purpose=Purpose.INSPECT, word="undecided")
    sql = "select device, lot, run, verdict, readings from results order by run"
    found = by_any_tool(writer.path, sql)
    assert [row[:2] for row in found] == [("A", None), ("B", None), ("A", "L1")]
    assert [row[2] for row in found][::2] == [kept, in_lot]
    assert [row[3] for row in found] == ["pass", "fail", "undecided"]
    assert {row[4] for row in found} == {3}


def test_what_was_judged_stands_beside_what_was_measured(writer, made):
    """A verdict held the limit against the figure at the reference temperature."""
    measured, brought = made.run("A"), made.run("B", word=None)
    at = {"temperature_c": 25.0, "offset_ppm": 31.0, "u_ppm": 0.4}
    figures = {"readings": 3, "at_reference": at}
    row = VerdictRow(word="fail", offset_ppm=26.0, u_ppm=0.1, figures=figures)
    writer.add_verdict(brought, row)
    open_run = made.run("C", None, word=None)
    expected = [(measured, 1.0, 0.1, 1.0, 0.1), (brought, 26.0, 0.1, 31.0, 0.4)]
    for view, more in (("results", []), ("runs_named", [(open_run, *[None] * 4)])):
        sql = "select run, offset_ppm, u_ppm, judged_ppm, judged_u_ppm from "
        assert by_any_tool(writer.path, f"{sql}{view} order by run") == expected + more


def test_named_readings_tell_whether_their_run_counts(writer, made):
    run = made.run("A", kind=EventKind.SET_ASIDE)
    good = made.run("B")
    sql = "select distinct run_id, counts, does_not_count, voided from readings_named"
    assert by_any_tool(writer.path, sql) == [
        (run, 0, "taken back", 0),
        (good, 1, None, 0),
    ]
