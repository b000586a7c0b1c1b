"""Readings a second from driver to database, beside a bare PyVISA loop.

Both read one simulated counter over TCP, its gate 1 ms, one after the other in turn.
"""

import statistics
from pathlib import Path

import pytest
from benchmarks.counter import GATE_S, asked, kept, simulated_bench
from benchmarks.results import report

from benchlog.store.reader import Reader

pytestmark = pytest.mark.benchmark

ROUNDS = 7
READINGS = 2_000
TARGET = 0.9


def test_readings_a_second_beside_a_bare_loop(tmp_path: Path) -> None:
    database = tmp_path / "bench.db"
    pairs = []
    with simulated_bench(tmp_path) as bench:
        for turn in range(ROUNDS):
            ours = kept(bench, database, READINGS)
            bare = asked(bench, tmp_path / f"bare-{turn}.db", READINGS)
            pairs.append((ours.per_s, bare.per_s))
    with Reader.open(database) as reader:
        assert [run.readings for run in reader.runs()] == [READINGS] * ROUNDS
    ratio = statistics.median(ours / bare for ours, bare in pairs)
    kept_per_s, bare_per_s = (
        statistics.median(column) for column in zip(*pairs, strict=True)
    )
    report(
        "Readings a second, driver to database",
        ("", "readings/s", "ratio", "target"),
        [
            ("benchlog", f"{kept_per_s:,.0f}", f"{ratio:.2f}", f">= {TARGET}"),
            ("bare loop", f"{bare_per_s:,.0f}", "", ""),
        ],
        f"Medians of {ROUNDS} rounds of {READINGS:,} readings in turn, simulated "
        f"counter over TCP, gate {GATE_S * 1e3:g} ms. Peer: a PyVISA query loop that "
        "commits each reading with the same SQLite and durability.",
    )
    assert ratio >= TARGET
