"""What the live screen costs: a million readings behind it, ten more a second.

The real `benchlog watch` runs in a terminal of 120 x 40 (tmux) for ten minutes, or for
`BENCHLOG_WATCH_S` seconds, after four minutes (0.4 of it) to settle; the kernel says
what it takes.
"""

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from benchmarks import long_run
from benchmarks.results import report

from benchlog.clock import HostClock, host_deadline, host_sleep

pytestmark = [
    pytest.mark.benchmark,
    pytest.mark.skipif(shutil.which("tmux") is None, reason="tmux is the terminal"),
    pytest.mark.skipif(sys.platform != "linux", reason="reads /proc"),
]

READINGS = 1_000_000
WATCH_S = float(os.environ.get("BENCHLOG_WATCH_S", "600"))
LEAST_S = 60.0
TARGET_SHARE = 0.06
FLAT_MB = 1.0
"""What memory may grow over the whole time: 1 %, as page by page it is never still."""
WHOLE, MINUTE, BARE = "watch, whole run", "watch, last minute", "bare Textual"
_READY_S, _START_S = 120.0, 5.0
SETTLE_S = 0.4 * WATCH_S
"""Textual's caches fill for some minutes, those of a bare program as well."""
_BARE = """
from textual.app import App
from textual.widgets import Static

class Bare(App):
    def compose(self):
        yield Static()

    def on_mount(self):
        self.ticks = 0
        self.set_interval(0.25, self.tick)

    def tick(self):
        self.ticks += 1
        self.query_one(Static).update(f"{self.ticks} ticks")

Bare().run()
"""


class Terminals:
    """Terminals of 120 x 40 on a tmux server of our own."""

    def __init__(self) -> None:
        name = f"benchlog-{os.getpid()}"
        self._tmux = ["tmux", "-u", "-L", name, "-f", os.devnull]

    def open(self, name: str, words: Sequence[str]) -> int:
        """Run a command in a new terminal; return its process."""
        size = ["-x", "120", "-y", "40"]
        self._do("new-session", "-d", "-s", name, *size, "-P", "--", *words)
        return int(self._do("list-panes", "-t", name, "-F", "#{pane_pid}"))

    def press(self, name: str, *keys: str) -> None:
        self._do("send-keys", "-t", name, *keys)

    def text(self, name: str) -> str:
        return self._do("capture-pane", "-p", "-t", name)

    def close(self) -> None:
        self._do("kill-server")

    def _do(self, *words: str) -> str:
        done = subprocess.run(
            [*self._tmux, *words], capture_output=True, check=True, timeout=10
        )
        return done.stdout.decode()


@dataclass(frozen=True, slots=True)
class Use:
    """What a process had used at one moment."""

    at_s: float
    cpu_s: float
    memory_mb: float

    @classmethod
    def of(cls, pid: int) -> "Use":
        """Ask the kernel: proc(5), `stat` fields 14 and 15, `statm` field 2."""
        proc = Path("/proc") / str(pid)
        fields = (proc / "stat").read_text().rpartition(")")[2].split()
        ticks = int(fields[11]) + int(fields[12])
        pages = int((proc / "statm").read_text().split()[1])
        return cls(
            HostClock().mono_ns() / 1e9,
            ticks / os.sysconf("SC_CLK_TCK"),
            pages * os.sysconf("SC_PAGE_SIZE") / 1e6,
        )


@dataclass(frozen=True, slots=True)
class Cost:
    """What a process took over a time: `grown_mb` by a straight line through all."""

    share: float
    memory_mb: float
    grown_mb: float

    @classmethod
    def of(cls, uses: Sequence[Use]) -> "Cost":
        at_s = np.array([use.at_s for use in uses])
        memory_mb = np.array([use.memory_mb for use in uses])
        lasted_s = float(at_s[-1] - at_s[0])
        slope = float(np.polyfit(at_s - at_s[0], memory_mb, 1)[0])
        cpu_s = uses[-1].cpu_s - uses[0].cpu_s
        return cls(cpu_s / lasted_s, float(memory_mb[-1]), slope * lasted_s)


@contextmanager
def ten_a_second(database: Path, run_id: int) -> Iterator[None]:
    words = [sys.executable, long_run.__file__, str(database), str(run_id)]
    with subprocess.Popen(words, stdin=subprocess.PIPE) as process:
        yield
        assert process.poll() is None, "the readings have stopped"
        process.communicate(timeout=10)


@contextmanager
def terminals() -> Iterator[Terminals]:
    ours = Terminals()
    try:
        yield ours
    finally:
        ours.close()


def wait_until_live(terminal: Terminals, name: str) -> float:
    """Wait for the run to have been gone through; return how long that took, in s."""
    clock, limit = HostClock(), host_deadline(_READY_S)
    began_ns = clock.mono_ns()
    while shown(terminal, name) < READINGS:
        assert not limit.passed, terminal.text(name)
        host_sleep(0.2)
    return (clock.mono_ns() - began_ns) / 1e9


def shown(terminal: Terminals, name: str) -> int:
    """Return how many readings a live screen says there are; 0 while it is not live."""
    found = re.search(r"measuring · ([\d,]+) readings", terminal.text(name))
    return int(found[1].replace(",", "")) if found else 0


def show_last_minute(terminal: Terminals, name: str) -> None:
    """Press `w` until the chart shows a minute: it then moves with every reading."""
    limit = host_deadline(_READY_S)
    while "last minute" not in terminal.text(name):
        assert not limit.passed, terminal.text(name)
        terminal.press(name, "w")
        host_sleep(1.0)


def watched(pids: Mapping[str, int], for_s: float) -> dict[str, Cost]:
    uses: dict[str, list[Use]] = {name: [] for name in pids}
    limit = host_deadline(for_s)
    while not limit.passed:
        for name, pid in pids.items():
            uses[name].append(Use.of(pid))
        host_sleep(1.0)
    return {name: Cost.of(its) for name, its in uses.items()}


def test_a_live_screen_on_a_million_readings(tmp_path: Path) -> None:
    database = tmp_path / "bench.db"
    run_id = long_run.make(database, READINGS)
    ours = [str(Path(sys.executable).with_name("benchlog")), "watch", str(run_id)]
    pids = {}
    with ten_a_second(database, run_id), terminals() as terminal:
        for name in (WHOLE, MINUTE):
            pids[name] = terminal.open(name, [*ours, "--db", str(database)])
            ready_s = wait_until_live(terminal, name)
        show_last_minute(terminal, MINUTE)
        pids[BARE] = terminal.open(BARE, [sys.executable, "-c", _BARE])
        host_sleep(_START_S)
        settling = watched(pids, SETTLE_S)
        before = shown(terminal, WHOLE)
        costs = watched(pids, WATCH_S)
        added = shown(terminal, WHOLE) - before
    report(
        "Live screen on a run of a million readings, ten more a second",
        ("", "share of a core", "target", "memory, MB", "grown, MB", "target"),
        [(name, *cells(name, cost)) for name, cost in costs.items()],
        f"Over {WATCH_S:g} s in terminals of 120 x 40, all at the same time; {added:,} "
        f"readings came. In the {SETTLE_S:g} s before, caches filled by "
        f"{', '.join(f'{cost.grown_mb:.1f}' for cost in settling.values())} MB. The "
        f"million was gone through in {ready_s:.1f} s. Peer: a Textual program that "
        "writes one line four times a second.",
    )
    assert added == pytest.approx(10 * WATCH_S, rel=0.05, abs=20)
    for name in (WHOLE, MINUTE):
        assert costs[name].share <= TARGET_SHARE, name
        assert costs[name].grown_mb <= FLAT_MB or WATCH_S < LEAST_S, name


def cells(name: str, cost: Cost) -> tuple[str, ...]:
    ours = name != BARE
    return (
        f"{cost.share:.1%}",
        f"<= {TARGET_SHARE:.0%}" * ours,
        f"{cost.memory_mb:.1f}",
        f"{cost.grown_mb:+.2f}",
        f"<= {FLAT_MB:g}" * ours,
    )
