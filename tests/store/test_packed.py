"""Packed blocks: the same readings as the rows, from wherever one begins to read."""

import shutil
from dataclasses import replace

import numpy as np
import pytest
from store.making import begin, connection_of, rows

from benchlog.clock import VirtualClock
from benchlog.model import Columns
from benchlog.store.arrays import SELECT, columns_from
from benchlog.store.derived.packed import BLOCK, pack, unpack
from benchlog.store.reader import Reader
from benchlog.store.writer import Writer

N = 5 * BLOCK + 77


def same(one, other):
    for name in Columns.__slots__:
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name))


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Make two runs whose rows lie among each other, the first one long."""
    path = tmp_path_factory.mktemp("long") / "bench.db"
    with Writer.open(path, VirtualClock()) as writer:
        run, segment = begin(writer)
        other, elsewhere = begin(writer, "D2")
        made = [
            (
                r,
                s,
                replace(one, ambient_c=None if n % 3 else 20.0 + n, utc_ns=n or None),
            )
            for n, (r, s, one) in enumerate(rows(run, segment, N))
        ]
        for at in range(0, N, 700):
            writer.commit(made[at : at + 700])
            writer.commit(rows(other, elsewhere, 3, first=at))
    return path, run


@pytest.fixture
def long_run(made):
    """Give a reader of what was made, and the long run; for tests that only read."""
    path, run = made
    with Reader.open(path) as reader:
        yield reader, run


@pytest.fixture
def own_long_run(made, tmp_path):
    """Give the same of a copy, for tests that write."""
    path, run = made
    with Reader.open(shutil.copy(path, tmp_path / "bench.db")) as reader:
        yield reader, run


def as_rows(reader, run, after_id=0, limit=-1):
    return columns_from(connection_of(reader).execute(SELECT, (run, after_id, limit)))


def test_whole_blocks_are_packed(long_run):
    reader, _ = long_run
    found = (
        connection_of(reader).execute("select sum(n), count(*) from packed").fetchone()
    )
    assert found == (5 * BLOCK, 5)


def test_a_run_is_the_same_either_way(long_run):
    reader, run = long_run
    same(reader.columns_after(run), as_rows(reader, run))
    pieces = list(reader.chunks(run, 2_000))
    assert sum(map(len, pieces)) == N
    assert max(map(len, pieces)) <= 2_000


@pytest.mark.parametrize("place", [0, 1, BLOCK - 1, BLOCK, 3 * BLOCK + 5, N - 1])
@pytest.mark.parametrize("limit", [1, 1_023, 1_024, 3_000])
def test_from_any_place_nothing_is_left_out_or_twice(long_run, place, limit):
    reader, run = long_run
    ids = as_rows(reader, run).id
    after_id = int(ids[place]) - 1
    seen = []
    for _ in range(3):
        piece = reader.columns_after(run, after_id, limit)
        assert len(piece) <= limit
        seen += piece.id.tolist()
        after_id = seen[-1] if seen else after_id
    assert seen == ids[place : place + len(seen)].tolist()
    assert seen


def test_without_packed_blocks_rows_are_read(own_long_run):
    reader, run = own_long_run
    whole = as_rows(reader, run)
    with Writer.open(reader.path, VirtualClock()) as writer:
        gone = int(whole.id[2 * BLOCK])
        connection_of(writer).execute("delete from packed where first_id <= ?", (gone,))
        same(reader.columns_after(run), whole)
        writer.rebuild_outline(run)
        count = connection_of(writer).execute("select count(*) from packed").fetchone()
    assert count == (5,)
    same(reader.columns_after(run), whole)


def test_every_bit_of_a_number_survives():
    n = 64
    odd = np.array([np.nan, -0.0, 5e-324, 1.7976931348623157e308] * (n // 4))
    columns = Columns(
        np.arange(n) + 2**62, np.full(n, 7), np.full(n, -1), np.arange(n) * 3,
        np.full(n, 0.1), odd[::-1].copy(), odd, np.zeros(n, np.int64),
    )  # fmt: skip
    found = unpack([(n, pack(columns)), (n, pack(columns))])
    for name in Columns.__slots__:
        twice = np.tile(getattr(columns, name), 2)
        assert getattr(found, name).tobytes() == twice.astype(twice.dtype).tobytes()
