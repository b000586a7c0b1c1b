"""An import's own database refuses by itself what is not looked for in it again."""

import numpy as np
import pytest
from store.making import begin

from benchlog.clock import VirtualClock
from benchlog.errors import StoreRefusedError
from benchlog.store import sqlite
from benchlog.store.integrity.row_check import LEFT_OPEN, RULES, bad_rows
from benchlog.store.logged_tables import READINGS
from benchlog.store.reading_block import ReadingBlock
from benchlog.store.staging import staging_beside
from benchlog.store.writer import Writer

SOUND = {
    "utc_ns": 1,
    "mono_ns": 1,
    "gate_s": 1.0,
    "frequency_hz": 16e6,
    "ambient_c": 25.0,
    "flags": 0,
    "raw": "1",
}
BROKEN = [
    *((name, value) for name in SOUND for value in (b"x", "x") if name != "raw"),
    ("raw", b"x"),
    *((name, None) for name in ("mono_ns", "gate_s", "frequency_hz", "flags")),
    *((name, value) for name in ("gate_s", "frequency_hz") for value in (-1, 9e999)),
    ("frequency_hz", 0.0),
    ("ambient_c", 9e999),
    ("ambient_c", -9e999),
    ("segment_id", 999),
    ("run_id", 999),
]


@pytest.fixture
def staged(writer):
    """A connection to a staging database beside one with a run, and that run's rows."""
    run, segment = begin(writer)
    with staging_beside(writer.path) as path:
        connection = sqlite.connect_to_write(path)
        connection.execute("pragma foreign_keys=off")
        connection.execute("attach ? as meant", (str(writer.path),))
        for table in ("parts", "lots", "devices", "instruments", "runs", "segments"):
            connection.execute(f"insert into main.{table} select * from meant.{table}")
        connection.execute("pragma foreign_keys=on")
        yield connection, {"run_id": run, "segment_id": segment}
        connection.close()


def insert(connection, row):
    names = ", ".join(row)
    holes = ", ".join("?" * len(row))
    connection.execute(
        f"insert into readings ({names}) values ({holes})", tuple(row.values())
    )


@pytest.fixture
def staged_writer(tmp_path):
    with (
        staging_beside(tmp_path / "meant.db") as path,
        Writer.open_staging(path, VirtualClock()) as writer,
    ):
        yield writer


@pytest.mark.parametrize(("name", "value"), BROKEN)
def test_its_table_refuses_what_the_rules_do(staged, name, value):
    connection, owned = staged
    insert(connection, {**owned, **SOUND})
    with pytest.raises(sqlite.SqliteError, match=r"constraint|cannot store"):
        insert(connection, {**owned, **SOUND, name: value})


def test_what_it_lets_in_is_looked_for(staged):
    connection, owned = staged
    insert(connection, {**owned, **SOUND})
    run = owned["run_id"]
    assert not list(bad_rows(connection, run, is_staged=True))
    insert(connection, {**owned, **SOUND, "flags": -1})
    (found,) = bad_rows(connection, run, is_staged=True)
    assert (found.table, found.count) == ("readings", 1)
    assert set(LEFT_OPEN) <= set(RULES) and set(SOUND) < set(READINGS.columns)


@pytest.mark.parametrize(
    ("name", "value"),
    [
        *(("frequency_hz", value) for value in (-1.0, 0.0, np.inf, -np.inf, np.nan)),
        *(("ambient_c", value) for value in (np.inf, -np.inf)),
        *(("gate_s", value) for value in (-1.0, np.inf, np.nan)),
    ],
)
def test_a_block_that_its_table_would_refuse_is_refused(staged_writer, name, value):
    """Also where a sound one has gone in before, whose rows were not looked at."""
    run, segment = begin(staged_writer)
    sound = {
        "utc_ns": None,
        "mono_ns": np.arange(3),
        "gate_s": 1.0,
        "frequency_hz": np.full(3, 16e6),
        "ambient_c": np.array([25.0, np.nan, 25.0]),
        "flags": np.zeros(3, np.int64),
        "raw": None,
    }
    staged_writer.commit_block(run, segment, ReadingBlock(**sound))
    broken = dict(sound)
    if name == "gate_s":
        broken[name] = value
    else:
        broken[name] = sound[name].copy()
        broken[name][1] = value
    assert not ReadingBlock(**broken).is_sound()
    with pytest.raises(StoreRefusedError):
        staged_writer.commit_block(run, segment, ReadingBlock(**broken))
