"""What lists of a dataset cost: against a bare question to DuckDB on the same files.

5,000 runs of 40 benches. Both are programs of their own, by turns in one run; counted
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
from store.processes import environment

from benchlog.exchange.dataset.write import write_dataset
from benchlog.store.reader import Reader

pytestmark = pytest.mark.benchmark

BENCHES, RUNS, READINGS = 40, 125, 4
ROUNDS = 5
MOST_S = 1.0
LISTS = (("lots",), ("runs",), ("chips", "--lot", "3-2"))
PEER = """
import duckdb
rows = duckdb.sql("select * from read_parquet('{}/runs/**/*.parquet')").fetchall()
assert len(rows) == {}
"""


def processor_s(command: list[str]) -> float:
    """Return the processor time of a program."""
    child = subprocess.Popen(command, env=environment(), stdout=subprocess.DEVNULL)
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
    rows, slowest = [], 0.0
    for words in LISTS:
        command = [sys.executable, "-m", "benchlog.cli", *words]
        command += ["--dataset", str(folder)]
        pairs = [(processor_s(command), processor_s(peer)) for _ in range(ROUNDS)]
        own, other = (statistics.median(one) for one in zip(*pairs, strict=True))
        ratio = statistics.median(a / b for a, b in pairs)
        rows.append((" ".join(words), f"{own:.2f}", f"{other:.2f}", f"{ratio:.2f}"))
        slowest = max(slowest, min(a for a, _ in pairs))
    report(
        "Lists of a dataset: 5,000 runs of 40 benches",
        ("list", "processor s", "DuckDB, all rows, processor s", "ratio"),
        rows,
    )
    assert slowest < MOST_S
