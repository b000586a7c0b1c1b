"""Rows a second through the store's writer, beside bare `executemany`.

Both use the same SQLite library, the same schema with its triggers and indexes, foreign
keys, batches and durability. The writer is given readings, the peer ready-made tuples.
"""

import statistics
from collections.abc import Callable, Sequence
from contextlib import closing
from pathlib import Path

import pytest
from benchmarks.results import report

from benchlog.clock import HostClock
from benchlog.model import (
    Bench,
    Flag,
    InstrumentSpec,
    Kind,
    Limits,
    Part,
    PositionSpec,
    Purpose,
    Reading,
    RunPlan,
    Timebase,
)
from benchlog.store import sqlite
from benchlog.store.writer import Writer

pytestmark = pytest.mark.benchmark

ROUNDS = 15
COMMITS = {1: 400, 10: 300, 100: 150, 1000: 40}
"""Commits per round, by how many rows each holds."""
TARGET = 0.8
PLAN = RunPlan(
    purpose=Purpose.MEASURE,
    device="C-0001",
    part=Part(
        id="quartz-16mhz-30ppm",
        title="16 MHz quartz",
        kind=Kind.QUARTZ,
        nominal_hz=16e6,
        limits=Limits(tolerance_ppm=30.0),
    ),
    position="A",
    bench=Bench(
        name="bench",
        instruments={"c": InstrumentSpec(name="c", driver="typed-in")},
        positions=(PositionSpec(name="A", frequency="c"),),
    ),
)
INSERT = """
insert into readings (run_id, segment_id, utc_ns, mono_ns, gate_s, frequency_hz,
  ambient_c, flags, raw) values (?, ?, ?, ?, ?, ?, ?, ?, ?)
"""

Rows = Sequence[tuple[int, int, Reading]]
Commit = Callable[[Rows], None]
Pair = tuple[float, float]
"""Seconds that the writer took, and those of its peer."""


class Bare:
    """The peer: the database is made by a writer, the rows go in without one."""

    def __init__(self, path: Path) -> None:
        self.connection = sqlite.Connection(path, isolation_level=None)
        for pragma in ("journal_mode=wal", "synchronous=full", "foreign_keys=on"):
            self.connection.execute(f"pragma {pragma}")

    def commit(self, rows: Sequence[tuple[object, ...]]) -> None:
        self.connection.execute("begin immediate")
        self.connection.executemany(INSERT, rows)
        self.connection.execute("commit")


def begun(path: Path) -> tuple[int, int]:
    """Make a database with one run; return the ids of run and segment.

    Both sides then open what is there already, as a keeper does from its second run on.
    """
    with Writer.open(path, HostClock()) as writer:
        run_id = writer.begin_run(
            PLAN, {}, Timebase(status="assumed", offset_ppm=0.0, u_ppm=0.577)
        )
        return run_id, writer.begin_segment(run_id)


def readings(count: int) -> list[Reading]:
    return [
        Reading(
            1_900_000_000_000_000_000 + n * 100_000_000,
            n * 100_000_000,
            0.1,
            15_999_852.0 + n % 97 * 1e-3,
            25.0 + n % 7 * 0.1,
            Flag.SIMULATED,
        )
        for n in range(count)
    ]


def one_round(writer: Commit, bare: Bare, rows: Rows) -> Pair:
    """Commit the same rows with both, commit by commit: a busy disk hits both alike."""
    clock = HostClock()
    tuples = [(run, segment, *parameters(r)) for run, segment, r in rows]
    spent_ns = [0, 0]
    for turn in range(COMMITS[len(rows)]):
        for which in (turn % 2, 1 - turn % 2):
            began_ns = clock.mono_ns()
            if which:
                bare.commit(tuples)
            else:
                writer(rows)
            spent_ns[which] += clock.mono_ns() - began_ns
    return spent_ns[0] / 1e9, spent_ns[1] / 1e9


def test_rows_a_second_beside_bare_executemany(tmp_path: Path) -> None:
    times: dict[int, list[Pair]] = {size: [] for size in COMMITS}
    paths = tmp_path / "writer.db", tmp_path / "bare.db"
    (run_id, segment_id), _ = map(begun, paths)
    writer, bare = Writer.open(paths[0], HostClock()), Bare(paths[1])
    with writer, closing(bare.connection):
        for _ in range(ROUNDS):
            for size in COMMITS:
                rows = [(run_id, segment_id, r) for r in readings(size)]
                times[size].append(one_round(writer.commit, bare, rows))
    ratios = {
        size: statistics.median(bare_s / writer_s for writer_s, bare_s in pairs)
        for size, pairs in times.items()
    }
    report(
        "Rows committed a second, beside bare executemany",
        ("rows a commit", "benchlog rows/s", "bare rows/s", "ratio", "target"),
        [
            (f"{size:,}", *rates(size, pairs), f"{ratios[size]:.2f}", f">= {TARGET}")
            for size, pairs in times.items()
        ],
        f"Medians of {ROUNDS} rounds, commit by commit in turn. Peer: bare "
        "`executemany` in an explicit transaction; same SQLite, schema, triggers, "
        "foreign keys, durability.",
    )
    assert min(ratios.values()) >= TARGET


def rates(size: int, pairs: Sequence[Pair]) -> tuple[str, ...]:
    rows = size * COMMITS[size]
    return tuple(
        f"{rows / statistics.median(column):,.0f}"
        for column in zip(*pairs, strict=True)
    )


def parameters(r: Reading) -> tuple[object, ...]:
    flags = int(r.flags)
    return (r.utc_ns, r.mono_ns, r.gate_s, r.frequency_hz, r.ambient_c, flags, r.raw)
