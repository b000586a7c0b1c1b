"""The time between two gates that reading the counter costs, and what it does not.

The simulated counter itself says when a gate closed, when its reply was on the line
and, with the gate's length, when the next gate opened. In the last case somebody else
holds the database locked three quarters of the time: were the commit in the pace, the
counter would stand idle meanwhile.
"""

import json
import threading
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from benchmarks.counter import GATE_S, Stretch, asked, driven, kept, simulated_bench
from benchmarks.results import report
from numpy.typing import NDArray

from benchlog.clock import HostClock, host_sleep
from benchlog.model import Bench, Flag
from benchlog.store import sqlite
from benchlog.store.reader import Reader
from benchlog.store.writer import Writer

pytestmark = pytest.mark.benchmark

ROUNDS = 5
READINGS = 1_000
TARGET_MS = 0.5
LOCKED_S, FREE_S = 0.15, 0.05
KEPT, LOCKED = "benchlog, kept", "benchlog, kept, database often locked"

Way = Callable[[Bench], Stretch]


class Lock:
    """Holds the write lock of a database again and again, from its first reading on."""

    def __init__(self, database: Path) -> None:
        self._database = database
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._hold)
        self.begin = self._thread.start

    def end(self) -> None:
        self._over.set()
        self._thread.join()

    def _hold(self) -> None:
        connection = sqlite.Connection(self._database, isolation_level=None, timeout=5)
        with closing(connection):
            while not self._over.is_set():
                connection.execute("begin immediate")
                host_sleep(LOCKED_S)
                connection.execute("rollback")
                host_sleep(FREE_S)


def ways(folder: Path) -> Mapping[str, Way]:
    def locked(bench: Bench) -> Stretch:
        lock = Lock(folder / "kept.db")
        try:
            return kept(bench, folder / "kept.db", READINGS, begun=lock.begin)
        finally:
            lock.end()

    return {
        "PyVISA loop, stores nothing": lambda b: asked(b, None, READINGS),
        "PyVISA loop, commits each": lambda b: asked(b, folder / "bare.db", READINGS),
        "benchlog, driver alone": lambda b: driven(b, READINGS),
        KEPT: lambda b: kept(b, folder / "kept.db", READINGS),
        LOCKED: locked,
    }


def gates(truth: Path) -> NDArray[np.int64]:
    """Return when each gate opened and closed and when its reply was sent, in ns."""
    served = map(json.loads, truth.read_text().splitlines())
    gate_ns = round(GATE_S * 1e9)
    return np.array(
        [
            (one["mono_ns"] - gate_ns, one["mono_ns"], one["sent_ns"])
            for one in served
            if one["instrument"] == "counter"
        ]
    )


def between_ms(
    all_gates: NDArray[np.int64], stretches: Sequence[Stretch]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the pauses from gate to gate, and those from reply to next gate, in ms.

    The first hold what the counter itself takes to reply, too.
    """
    idle, asked_after = [], []
    for when in stretches:
        opened, closed, sent = all_gates.T
        among = (opened > when.began_ns) & (sent < when.ended_ns)
        asked_after.append(opened[among][1:] - sent[among][:-1])
        idle.append(opened[among][1:] - closed[among][:-1])
    return np.concatenate(idle) / 1e6, np.concatenate(asked_after) / 1e6


def test_dead_time_between_gates(tmp_path: Path) -> None:
    truth = tmp_path / "truth.jsonl"
    Writer.open(tmp_path / "kept.db", HostClock()).close()
    stretches: dict[str, list[Stretch]] = defaultdict(list)
    with simulated_bench(tmp_path, truth) as bench:
        for _ in range(ROUNDS):
            for name, way in ways(tmp_path).items():
                stretches[name].append(way(bench))
    all_gates = gates(truth)
    pauses = {name: between_ms(all_gates, when) for name, when in stretches.items()}
    report(
        "Dead time between two gates",
        ("", "gate to gate, median", "p99", "reply to READ?, median", "p99", "target"),
        [(name, *cells(*pair), target(name)) for name, pair in pauses.items()],
        f"In ms, {ROUNDS} rounds of {READINGS:,} readings in turn, as the simulated "
        f"counter saw it (TCP, gate {GATE_S * 1e3:g} ms): from the end of a gate to "
        "the next one's beginning; of that, from the reply sent to the next READ? in.",
    )
    check_nothing_is_missing(tmp_path / "kept.db")
    for name in (KEPT, LOCKED):
        assert np.median(pauses[name][0]) <= TARGET_MS, name


def cells(*pauses_ms: NDArray[np.float64]) -> tuple[str, ...]:
    return tuple(
        f"{np.quantile(pause_ms, share):.3f}"
        for pause_ms in pauses_ms
        for share in (0.5, 0.99)
    )


def target(name: str) -> str:
    return f"median <= {TARGET_MS}" if name in (KEPT, LOCKED) else ""


def check_nothing_is_missing(database: Path) -> None:
    """Whatever the database's trouble: all readings are there, and contiguous."""
    with Reader.open(database) as reader:
        runs = reader.runs()
        assert [run.readings for run in runs] == [READINGS] * 2 * ROUNDS
        for run in runs:
            assert not (reader.columns_after(run.id).flags & Flag.GAP_BEFORE).any()
