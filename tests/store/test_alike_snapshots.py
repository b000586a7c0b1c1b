"""The snapshots of a lot's runs are nearly the same: what they share is checked once.

Whatever is taken out before two are called the same hides nothing: a snapshot that
cannot be read is told as it is by a look at the whole of it.
"""

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from store.making import BENCH, COUNTER, PART, TIMEBASE, begin, rows

from benchlog.clock import VirtualClock
from benchlog.model import Lot, Purpose, RunPlan
from benchlog.store import lots
from benchlog.store.reader import Reader
from benchlog.store.snapshot import (
    UNREADABLE,
    basis_from,
    dump,
    freeze,
    why_unreadable,
)
from benchlog.store.snapshot_types import parsed
from benchlog.store.sqlite import sqlite3
from benchlog.store.writer import Writer

DEVICES = 12


@pytest.fixture
def path(tmp_path):
    path = tmp_path / "bench.db"
    with Writer.open(path, VirtualClock()) as writer:
        for lot in ("L-1", "L-2"):
            told = Lot(lot=lot, part_id=PART.id, supplier="", size=50, plan=None)
            writer.open_lot(told, PART)
            for n in range(DEVICES):
                run, segment = begin(writer, f"{lot}.{n}", lot=lot)
                writer.commit(rows(run, segment, 1))
                writer.end_run(run, "stopped")
    return path


def test_what_the_snapshots_of_lots_share_is_checked_once(path, monkeypatch):
    looked_at = []

    def counted(plain):
        looked_at.append(plain)
        return basis_from(plain)

    monkeypatch.setattr(lots, "basis_from", counted)
    lots._look_at_rest.cache_clear()  # private: what it counts
    with Reader.open(path) as reader:
        found = reader.runs_by_lot()
        assert not reader.left_out
    assert sum(map(len, found.values())) == 2 * DEVICES
    assert len(looked_at) == 1


@pytest.mark.parametrize(
    ("old", "new", "why"),
    [
        ('"device": "L-1.3"', '"device": 3', "snapshot.device is a whole number"),
        ('"lot": "L-1"', '"lot": ["L-1"]', "snapshot.lot is a list"),
        ('"note": ""', '"note": "\\ud800"', "no Unicode"),
        ('"operator": ""', '"operator": "a\tb"', "control character"),
        ('"tolerance_ppm": 30.0', '"tolerance_ppm": -1', "tolerance_ppm is -1"),
        ('"device": "L-1.3"', '"device": "L-1.3', "delimiter"),
        ('"u_ppm": 0.', '"u_ppm": "lot": "x", "y": 0.', "delimiter"),
    ],
)
def test_one_of_many_alike_that_cannot_be_read_is_named(path, old, new, why):
    connection = sqlite3.connect(path)
    [[run, snapshot]] = connection.execute(
        "select id, snapshot from runs where snapshot like '%\"L-1.3\"%'"
    )
    assert old in snapshot
    names = (
        "select name from sqlite_master where type = 'trigger' and tbl_name = 'runs'"
    )
    for (name,) in connection.execute(names).fetchall():
        connection.execute(f"drop trigger {name}")
    broken = snapshot.replace(old, new, 1)
    connection.execute("update runs set snapshot = ? where id = ?", (broken, run))
    connection.commit()
    connection.close()
    with Reader.open(path) as reader:
        found = reader.runs_by_lot()
        told = dict(reader.left_out)
    assert sum(map(len, found.values())) == 2 * DEVICES - 1
    assert list(told) == [f"run {run}"]
    assert why in told[f"run {run}"]


WHOLE = dump(
    freeze(
        RunPlan(
            purpose=Purpose.INSPECT,
            device="d",
            part=PART,
            position="A",
            bench=BENCH,
            lot="l",
            note='of "lot": "1", device',
        ),
        {"counter": COUNTER},
        TIMEBASE,
    )
)
PIECES = st.sampled_from(
    ['"', "\\", '"device": "', '"lot": "x"', ": ", ", ", "{", "}", "null", "7", "\n"]
)


@settings(max_examples=300, deadline=None)
@given(at=st.integers(0, len(WHOLE)), cut=st.integers(0, 30), piece=PIECES)
def test_what_is_told_is_what_a_look_at_the_whole_tells(at, cut, piece):
    text = WHOLE[:at] + piece + WHOLE[at + cut :]
    whole = fault(lambda told: basis_from(parsed(told)), text)
    assert fault(lots.check_snapshot, text) == whole


def fault(look, text: str) -> str | None:
    try:
        look(text)
    except UNREADABLE as error:
        return why_unreadable(error)
    return None


def test_the_whole_snapshot_is_one():
    assert fault(lots.check_snapshot, WHOLE) is None
    assert json.loads(WHOLE)["device"] == "d"
