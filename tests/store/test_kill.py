"""`kill -9` at random moments: what was acknowledged is there, the file is sound."""

import os
import random
import signal
import sqlite3

import pytest
from seeds import seeded_random
from store.making import begin, rows
from store.processes import program

from benchlog.clock import VirtualClock, host_sleep
from benchlog.store.reader import Reader
from benchlog.store.writer import Writer


def killed_once(path, chance, guarded):
    """Start a writer, kill it, return its run and the rows it said were safe."""
    with program("acknowledge.py", path, guarded, chance.choice([1, 7, 250])) as writer:
        run = int(writer.stdout.readline().split()[1])
        seen = writer.stdout.readline()
        host_sleep(chance.uniform(0, 0.05))
        os.kill(writer.pid, signal.SIGKILL)
        for line in writer.stdout:
            seen = line if line.endswith(b"\n") else seen
    return run, int(seen)


def check(path, expected):
    with Reader.open(path) as reader:
        for run, acknowledged in expected.items():
            columns = reader.columns_after(run)
            assert len(columns) >= acknowledged
            assert columns.mono_ns.tolist() == [
                index * 1_000_000_000 for index in range(len(columns))
            ]
            assert reader.count(run) == len(columns)
            assert int(reader.outline(run).n.sum()) == len(columns)
    with sqlite3.connect(path) as plain:
        assert plain.execute("pragma quick_check").fetchone() == ("ok",)
    plain.close()


def campaign(path, rounds, seed, guarded):
    chance = seeded_random(seed)
    expected = dict(killed_once(path, chance, guarded) for _ in range(rounds))
    assert len(expected) == rounds, f"seed {seed}"
    check(path, expected)
    with Writer.open(path, VirtualClock()) as writer:  # and it goes on
        run, segment = begin(writer)
        writer.commit(rows(run, segment, 10))


@pytest.mark.parametrize("guarded", ["no", "yes"])
def test_killed_writers_lose_nothing(tmp_path, guarded):
    campaign(tmp_path / "bench.db", 13, 20_261_125, guarded)


@pytest.mark.slow
@pytest.mark.parametrize("guarded", ["no", "yes"])
def test_a_hundred_killed_writers_lose_nothing(tmp_path, guarded):
    campaign(tmp_path / "bench.db", 100, random.randrange(2**32), guarded)
