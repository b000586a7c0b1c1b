"""What is asked of a database looks at what is asked for, not at all there is.

Held by SQLite's own account of a question (`explain query plan`): no table that grows
with the runs is read from end to end.
"""

import re

import pytest
from store.making import PART, begin, rows

from benchlog.clock import VirtualClock
from benchlog.evaluation.lots import lots_with_benches
from benchlog.model import Lot
from benchlog.store import lots, run_queries
from benchlog.store.reader import Reader
from benchlog.store.rows import Amendment
from benchlog.store.sqlite import sqlite3
from benchlog.store.writer import Writer

GROWING = "u|runs|r|d|v|verdicts|readings|events|e|outline|packed|edges"
_SCAN = re.compile(rf"SCAN (?:{GROWING})\b")


@pytest.fixture
def path(tmp_path):
    path = tmp_path / "bench.db"
    with Writer.open(path, VirtualClock()) as writer:
        for lot, supplier in (("L-1", "Invented Ltd"), ("L-2", "Nowhere/Works")):
            told = Lot(lot=lot, part_id=PART.id, supplier=supplier, size=9, plan=None)
            writer.open_lot(told, PART)
            for n in range(3):
                run, segment = begin(writer, f"{lot}.{n}", lot=lot)
                writer.commit(rows(run, segment, 4))
                writer.end_run(run, "stopped")
    return path


def scanned(path, sql: str, values: dict) -> list[str]:
    """Return what of the tables that grow is read from end to end."""
    connection = sqlite3.connect(path)
    steps = [row[3] for row in connection.execute(f"explain query plan {sql}", values)]
    connection.close()
    assert steps
    return [step for step in steps if _SCAN.match(step)]


ANY = {"first": 0, "last": 2**62, "limit": 30}


@pytest.mark.parametrize("name", ["device", "part", "lot", "since"])
def test_narrowed_runs_are_found_without_a_look_at_the_others(path, name):
    sql = run_queries.runs_query({name: "x"})
    assert scanned(path, sql, {**ANY, name: "x"}) == []


def test_a_list_that_ends_is_asked_for_once(path, monkeypatch):
    """A second question would look at every run that is not wanted once more."""
    with Reader.open(path) as reader:
        whole, asked = reader._named, []  # private: what the reader asks

        def named(sql, values):
            asked.append("limit :limit" in sql)
            return whole(sql, values)

        monkeypatch.setattr(reader, "_named", named)
        assert [run.id for run in reader.found_runs(like="L-1.1")] == [2]
        since = reader.run(6).started_utc_ns
        asked.clear()
        assert 6 in [run.id for run in reader.found_runs(since_utc_ns=since)]
        assert asked.count(True) == 1


def test_one_run_is_found_without_a_look_at_the_others(path):
    wanted = {**ANY, "first": 3, "last": 3}
    assert scanned(path, run_queries.runs_query({}), wanted) == []
    asked = {"lots": '["L-1"]', "devices": '["L-1.0"]'}
    assert scanned(path, run_queries.IN_LOTS, asked) == []


@pytest.mark.parametrize("name", ["part", "supplier"])
def test_the_runs_of_some_lots_are_found_without_a_look_at_the_others(path, name):
    asked = {"part": None, "supplier": None, name: "x"}
    assert (
        scanned(path, lots.all_lot_runs(asked["part"], asked["supplier"]), asked) == []
    )
    one = {"lot": "L-1", "part": "x", "kinds": " inspect "}
    assert scanned(path, lots.LOT_RUNS, one) == []


def test_the_account_of_a_question_tells_a_scan(path):
    assert scanned(path, "select count(*) from runs where bench = 'x'", {}) != []


def test_lots_of_a_supplier_are_those_among_all(path):
    with Writer.open(path, VirtualClock()) as writer:
        moved = Amendment(kind="lot", reason="other reel", old="L-1", new="L-2")
        writer.amend(1, moved)
    with Reader.open(path) as reader:
        every = {one.lot.lot: one for one, _ in lots_with_benches(reader)}
        some = list(lots_with_benches(reader, supplier="Nowhere/Works"))
        assert [one for one, _ in some] == [every["L-2"]]
        assert len(every["L-2"].runs) == 4, "a run that was moved there is there"
        assert [one for one, _ in lots_with_benches(reader, part="none")] == []


def test_only_the_devices_asked_for_are_read_of_a_lot(path, monkeypatch):
    """Whether a newer run of its device counts needs no other device of the lot."""
    asked = []

    with Reader.open(path) as reader:
        whole = reader._named  # private: what the reader asks

        def named(sql, values):
            found = whole(sql, values)
            asked.append((sql, len(found)))
            return found

        monkeypatch.setattr(reader, "_named", named)
        assert reader.run(2).device == "L-1.1"
    assert [n for sql, n in asked if sql == run_queries.IN_LOTS] == [1]
