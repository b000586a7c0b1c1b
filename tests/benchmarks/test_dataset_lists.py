"""What lists cost: of a dataset against a bare question to DuckDB on the same files.

5,000 runs of 40 benches; of a database with 2,000 lots against reading its snapshots.
Both are programs of their own, by turns in one run; counted
is processor time, which a busy machine changes less than the clock on the wall.
"""

import os
import statistics
import subprocess
import sys
from pathlib import Path

import pytest
from benchmarks.results import report
from exchange.big_factory import bench_of_a_factory
from exchange.factory import bench_database
from store.processes import environment

from benchlog.exchange.dataset.write import write_dataset
from benchlog.store.reader import Reader

pytestmark = pytest.mark.benchmark

BENCHES, RUNS, READINGS = 40, 125, 4
ROUNDS = 5
MOST_S = 1.0
LOTS, DEVICES = 2_000, 2
LISTS = (("lots",), ("runs",), ("chips", "--lot", "3-2"))
PEER = """
import duckdb
rows = duckdb.sql("select * from read_parquet('{}/runs/**/*.parquet')").fetchall()
assert len(rows) == {}
"""
OF_ONE_DATABASE = """
import json, sqlite3
database = sqlite3.connect("file:{}?mode=ro", uri=True)
asked = database.execute("select snapshot from runs")
assert len([json.loads(text) for text, in asked]) == {}
"""


def processor_s(command: list[str], compiled: Path) -> float:
    """Return the processor time of a program whose modules are compiled already."""
    told = {**environment(), "PYTHONPYCACHEPREFIX": str(compiled)}
    told.pop("PYTHONDONTWRITEBYTECODE", None)
    child = subprocess.Popen(command, env=told, stdout=subprocess.DEVNULL)
    _, status, used = os.wait4(child.pid, 0)
    child.returncode = status
    assert status == 0
    return used.ru_utime + used.ru_stime


def test_lists_of_5000_runs_take_less_than_a_second(tmp_path: Path) -> None:
    folder = tmp_path / "set"
    for bench in range(BENCHES):
        path = bench_of_a_factory(tmp_path, bench, RUNS, READINGS)
        with Reader.open(path) as reader:
            write_dataset(reader, folder)
    peer = [sys.executable, "-c", PEER.format(folder, BENCHES * RUNS)]
    found = [
        (" ".join(words), *compared((*words, "--dataset", str(folder)), peer, tmp_path))
        for words in LISTS
    ]
    report(
        "Lists of a dataset: 5,000 runs of 40 benches",
        ("list", "processor s", "DuckDB, all rows, processor s", "ratio"),
        [told(*one) for one in found],
    )
    assert max(least for *_, least in found) < MOST_S


def test_2000_lots_of_a_database_take_less_than_a_second(tmp_path: Path) -> None:
    path = bench_database(tmp_path, 0, LOTS, DEVICES)
    peer = [sys.executable, "-c", OF_ONE_DATABASE.format(path, LOTS * DEVICES)]
    found = [
        (" ".join(words), *compared((*words, "--db", str(path)), peer, tmp_path))
        for words in (("lots",), ("lots", "--json"))
    ]
    report(
        "Lots of a database: 2,000 of 2 devices",
        ("list", "processor s", "snapshots parsed, processor s", "ratio"),
        [told(*one) for one in found],
    )
    assert found[0][-1] < MOST_S


def compared(words, peer: list[str], folder: Path) -> tuple[float, float, float, float]:
    """Return the medians of a list and of its peer, of their ratio, and the least."""
    command, compiled = (
        [sys.executable, "-m", "benchlog.cli", *words],
        folder / "compiled",
    )
    for one in (command, peer):
        processor_s(one, compiled)
    pairs = [
        (processor_s(command, compiled), processor_s(peer, compiled))
        for _ in range(ROUNDS)
    ]
    own, other = (statistics.median(one) for one in zip(*pairs, strict=True))
    ratio = statistics.median(a / b for a, b in pairs)
    return own, other, ratio, min(a for a, _ in pairs)


def told(words: str, *figures: float) -> tuple[str, ...]:
    """Return a row of the table."""
    return (words, *(f"{one:.2f}" for one in figures[:3]))
