"""What a block of readings is asked in arrays is what its table asks row by row."""

import math
from contextlib import closing

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.store import sqlite
from benchlog.store.parameters import insert_block
from benchlog.store.reading_block import ReadingBlock
from benchlog.store.schema.newest import newest_schema
from benchlog.store.sqlite import SqliteError

ANY = st.floats() | st.sampled_from([0.0, -0.0, 5e-324, math.inf, -math.inf, math.nan])


def block_of(gate_s: float, hertz: list[float], ambient_c: list[float]) -> ReadingBlock:
    count = len(hertz)
    return ReadingBlock(
        utc_ns=None,
        mono_ns=np.arange(count),
        gate_s=gate_s,
        frequency_hz=np.array(hertz),
        ambient_c=np.array(ambient_c),
        flags=np.zeros(count, np.int64),
        raw=None,
    )


@pytest.fixture(scope="module")
def table(tmp_path_factory):
    """Our own table of readings, alone."""
    path = tmp_path_factory.mktemp("sound") / "readings.db"
    with closing(sqlite.connect_to_write(path)) as connection:
        for _, name, _, sql in newest_schema().rows:
            if name == "readings":
                connection.execute(sql)
        yield connection


@given(ANY, st.lists(st.tuples(ANY, ANY), min_size=1, max_size=4))
def test_both_refuse_the_same(table, gate_s, pairs):
    """An import asks the arrays alone, and its rows come over without being asked."""
    one = block_of(gate_s, [hertz for hertz, _ in pairs], [c for _, c in pairs])
    table.execute("begin")
    try:
        insert_block(table, 1, 1, one)
        is_taken = True
    except SqliteError:
        is_taken = False
    finally:
        table.execute("rollback")
    assert one.is_sound() == is_taken
