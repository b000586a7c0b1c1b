"""Readings a second from a counter that streams to committed rows, CPU and memory.

    PYTHONPATH=tests python tests/benchmarks/streaming.py [SECONDS] [--keep]

A simulated counter in a process of its own hands over blocks over a TCP socket; the
keeper, in a process of its own as `measure` starts it, commits them with full
durability, judges them and is shown by nobody, or by the live screen's own follower.
Every row is counted and its time compared with the one before. `--keep` writes
STREAMING.md beside this file.
"""

import os
import resource
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

sys.path.insert(0, str(Path(__file__).parent.parent))

import numpy as np
from benchmarks.results import _table, _where

from benchlog.catalogue import load_bench, load_part
from benchlog.clock import HostClock, host_deadline, host_sleep
from benchlog.model import Bench, EventKind, Flag, Purpose, RunPlan
from benchlog.recorder.launch import launch
from benchlog.screen.follow import Follower
from benchlog.store.reader import Reader

TABLE: Final = Path(__file__).with_name("STREAMING.md")
_PART: Final = "quartz-16mhz-30ppm"
_START_S: Final = 60.0
_TICK_S: Final = 0.25
GATES: Final = ((1e-3, False), (1e-5, False), (1e-5, True), (5e-6, False))
_HEAD: Final = (
    *("gate, us", "followed", "readings", "readings/s", "lost", "gaps marked"),
    *("longest tick, s", "keeper", "instrument", "simulated", "MB keeper"),
    "MB instrument",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Streamed:
    """What one run gave; CPU in s per million readings, memory in MB."""

    readings: int
    seconds: float
    lost: int
    gaps: int
    tick_s: float
    cpu: dict[str, float]
    mb: dict[str, float]


@contextmanager
def simulated(folder: Path, gate_s: float) -> Iterator[tuple[Bench, int]]:
    """Serve a counter that streams; yield its bench and its process."""
    file = folder / "simulated.toml"
    words = [sys.executable, "-m", "benchlog.cli", "simulate", "--streams"]
    words += ["--until-eof", "--gate-s", str(gate_s), "--bench-out", str(file)]
    pipe, nowhere = subprocess.PIPE, subprocess.DEVNULL
    with subprocess.Popen(words, stdin=pipe, stdout=nowhere, stderr=nowhere) as process:
        limit = host_deadline(_START_S)
        while not file.exists():
            assert process.poll() is None and not limit.passed, "no simulated bench"
            host_sleep(0.05)
        yield load_bench(str(file)), process.pid
        process.communicate(timeout=20)  # closes its standard input: that ends it


def streamed(gate_s: float, seconds: float, *, followed: bool) -> Streamed:
    """Measure for `seconds` of readings."""
    count = round(seconds / gate_s)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        database = folder / "bench.db"
        with simulated(folder, gate_s) as (bench, simulator):
            plan = RunPlan(
                purpose=Purpose.MEASURE,
                device="C-0001",
                part=load_part(_PART),
                position=bench.positions[0].name,
                bench=bench,
                max_readings=count,
            )
            before = _cpu_s(simulator)
            launched = launch([plan], database)
            (run_id,) = launched.run_ids
            longest_s = 0.0
            with _watching(launched.pid) as seen:
                if followed:
                    longest_s = _follow(database, run_id, launched.process)
                assert launched.wait(20 * seconds + 60.0) in (0, 3, 4)
            launched.close()
            simulator_s = _cpu_s(simulator) - before
        with closing(Reader.open(database)) as reader:
            rows = reader.columns_after(run_id)
            events = [event for _, event in reader.events(run_id)]
    assert len(rows) == count, (len(rows), [event.text for event in events][-5:])
    assert bool((np.diff(rows.mono_ns) > 0).all())
    texts = [event.text for event in events if event.kind == EventKind.GAP]
    lost = [text.split()[3] for text in texts if text.startswith("the counter lost")]
    ended_ns = next(e.utc_ns for e in events if e.kind == EventKind.ENDED)
    million = count / 1e6
    cpu = {name: one / million for name, one in seen.cpu_s().items()}
    return Streamed(
        readings=count,
        seconds=(ended_ns - int(rows.utc_ns[0])) / 1e9,
        lost=sum(int(one.replace(",", "")) for one in lost),
        gaps=int(np.count_nonzero(rows.flags & int(Flag.GAP_BEFORE))),
        tick_s=longest_s,
        cpu={**cpu, "simulated": simulator_s / million},
        mb=seen.mb,
    )


def _follow(database: Path, run_id: int, keeper: "subprocess.Popen[bytes]") -> float:
    """Do what the live screen does, as often; return how long one look took at most."""
    clock, longest_ns = HostClock(), 0
    with closing(Follower(database, run_id, clock)) as follower:
        while keeper.poll() is None:
            began_ns = clock.mono_ns()
            follower.tick()
            follower.assess()
            longest_ns = max(longest_ns, clock.mono_ns() - began_ns)
            host_sleep(_TICK_S)
        while follower.tick() and not follower.over:
            pass
    return longest_ns / 1e9


class Watched:
    """What keeper and instrument processes took, looked at while they run."""

    def __init__(self, keeper: int) -> None:
        self.keeper, self.mb = keeper, {"keeper": 0.0, "instrument": 0.0}
        self._cpu = {"keeper": 0.0}
        self._instruments: dict[int, float] = {}

    def look(self) -> None:
        """Take in how things stand."""
        self._cpu["keeper"] = _cpu_s(self.keeper) or self._cpu["keeper"]
        self.mb["keeper"] = max(self.mb["keeper"], _peak_mb(self.keeper))
        for child in _children(self.keeper):
            self._instruments[child] = _cpu_s(child) or self._instruments.get(child, 0)
            self.mb["instrument"] = max(self.mb["instrument"], _peak_mb(child))

    def cpu_s(self) -> dict[str, float]:
        """Return processor time by now: of the keeper, of all its instruments."""
        return {**self._cpu, "instrument": sum(self._instruments.values())}


@contextmanager
def _watching(keeper: int) -> Iterator[Watched]:
    watched, done = Watched(keeper), threading.Event()

    def watch() -> None:
        while not done.wait(0.2):
            watched.look()

    thread = threading.Thread(target=watch)
    thread.start()
    try:
        yield watched
    finally:
        done.set()
        thread.join()


def _cpu_s(pid: int) -> float:
    try:
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return 0.0
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _peak_mb(pid: int) -> float:
    try:
        lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    except OSError:
        return 0.0
    found = [int(line.split()[1]) for line in lines if line.startswith("VmHWM")]
    return found[0] / 1024 if found else 0.0


def _children(pid: int) -> list[int]:
    try:
        text = Path(f"/proc/{pid}/task/{pid}/children").read_text()
    except OSError:
        return []
    return [int(one) for one in text.split()]


def row_of(gate_s: float, got: Streamed, *, followed: bool) -> tuple[str, ...]:
    return (
        f"{gate_s * 1e6:g}",
        "yes" if followed else "no",
        f"{got.readings:,}",
        f"{got.readings / got.seconds:,.0f}",
        f"{got.lost:,}",
        f"{got.gaps:,}",
        f"{got.tick_s:.2f}" if followed else "",
        *(f"{got.cpu[name]:.2f}" for name in ("keeper", "instrument", "simulated")),
        *(f"{got.mb[name]:.0f}" for name in ("keeper", "instrument")),
    )


def main() -> None:
    words = [word for word in sys.argv[1:] if not word.startswith("--")]
    seconds = float(words[0]) if words else 10.0
    rows = [
        row_of(gate_s, streamed(gate_s, seconds, followed=live), followed=live)
        for gate_s, live in GATES
    ]
    text = "\n".join(_table([_HEAD, *rows]))
    print(text)
    if "--keep" in sys.argv:
        TABLE.write_text(f"{_TITLE}\n{text}\n\n{_where()}\n", encoding="utf-8")


_TITLE: Final = """# A counter that streams, to committed rows

Made by `PYTHONPATH=tests python tests/benchmarks/streaming.py SECONDS --keep`: a
simulated counter over a TCP socket, the keeper as `measure` starts it, each row durable
and judged, a process for each. Every reading is counted in the database. `followed`:
the live screen's follower reads along and assesses four times a second; its longest
look is told. Processor time is in s per million readings: of the keeper, its start and
its verdict included, of its instrument processes and of the simulated counter. The
rate is from the first reading to the end of the run. One below that of the gates means
that the computer had no time for it (see the load): what the counter then lost is
told and marked.
"""


if __name__ == "__main__":
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    main()
