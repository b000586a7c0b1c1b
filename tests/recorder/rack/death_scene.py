"""A simulated rack in a process of its own, `qualify` in others, and how each dies.

What the rack truly is set to is asked at its control port, which no keeper uses.
"""

import contextlib
import json
import os
import re
import signal
import socket
import subprocess
import sys
from contextlib import closing
from pathlib import Path

from recorder.rack import death_rack
from recorder.rack.death_rack import PART

from benchlog.clock import host_deadline, host_sleep
from benchlog.evaluation.rack.turn_points import device_points
from benchlog.evaluation.rack_study import plan_of
from benchlog.store.reader import Reader

SCALE = 100.0
DEVICES = 3
GATE_S = 1.0
SEQUENCE = """
[sequence]
id = "short"
title = "Five temperatures and two supplies"
source = "ours"
finds = ["offset-at-reference", "frequency-temperature", "hysteresis", "supply"]
[settled]
window = "60s"
device_ppm_per_min = 0.02
[[step]]
name = "cold"
temperature_c = 23.5
supply_v = 3.3
power = "on"
gates = 4
[[step]]
name = "reference"
temperature_c = 25
gates = 4
[[step]]
name = "warm"
temperature_c = 27
gates = 4
[[step]]
name = "falling"
temperature_c = 25.4
gates = 4
[[step]]
name = "cool"
temperature_c = 23.8
gates = 4
[[step]]
name = "low supply"
temperature_c = 25
supply_v = "low"
gates = 4
"""


class ServedRack:
    """A rack in a process of its own, and its control port."""

    def __init__(self, folder: Path, seed: int) -> None:
        self.folder = folder
        (folder / "short.toml").write_text(SEQUENCE)
        ids = "".join(f"DUT-{k + 1}\n" for k in range(DEVICES))
        (folder / "ids.txt").write_text(ids)
        words = [str(Path(death_rack.__file__)), str(DEVICES), str(seed)]
        self._process = program(folder, *words, stdin=subprocess.PIPE)
        told = self._process.stdout.readline()
        assert told, self._process.stderr.read()
        self.ports = {
            name: int(re.search(r":(\d+)(?:::SOCKET)?$", address)[1])
            for name, address in json.loads(told).items()
        }
        self._talk("supply", b"OUTP OFF\n")  # nobody is there yet

    def __enter__(self) -> "ServedRack":
        return self

    def __exit__(self, *_: object) -> None:
        self._process.communicate(timeout=20)

    def ask(self, line: str):
        """Return what the control port answers."""
        with socket.create_connection(("127.0.0.1", self.ports["control"]), 5) as link:
            link.sendall(line.encode() + b"\n")
            answer = link.makefile().readline()
        assert answer.startswith("ok"), answer
        return json.loads(answer[3:] or "null")

    def safe(self) -> bool:
        """Tell whether supply and chamber are in their safe state."""
        state = self.ask("state")
        return not state["supply_on"] and state["set_point_c"] == state["home_c"]

    def _talk(self, name: str, line: bytes) -> None:
        with socket.create_connection(("127.0.0.1", self.ports[name]), 5) as link:
            link.sendall(line + b"*OPC?\n")
            link.makefile().readline()


def program(folder: Path, *words: str, stdin: int = subprocess.DEVNULL):
    """Start a program of Python's at the bench's pace."""
    return subprocess.Popen(
        [sys.executable, "-P", *words],
        cwd=folder,
        env=os.environ | {"BENCHLOG_TIME_SCALE": str(SCALE)},
        stdin=stdin,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def begun(folder: Path):
    """Begin a qualification."""
    words = ["--bench", "rack.toml", "--part", PART, "--sequence", "short.toml"]
    return _qualify(folder, *words, "--devices", "ids.txt")


def gone_on_with(folder: Path):
    """Go on with the one that was cut."""
    return _qualify(folder, "--resume-last")


def _qualify(folder: Path, *words: str):
    words = ("-m", "benchlog.cli", "qualify", *words)
    return program(folder, *words, "--db", "q.db", "--json", "--no-screen")


def ended(process, within_s: float = 400.0):
    """Return status, the document, and what was told."""
    out, told = process.communicate(timeout=within_s)
    return process.returncode, json.loads(out) if out.strip() else None, told


# --- who is who -----------------------------------------------------------------------


def process_at(port: int, keeper: int) -> int | None:
    """Return which process, other than the keeper, has a connection to a port."""
    sockets = _connected_to(port)
    for pid in _pids():
        if pid != keeper and sockets & _sockets_of(pid):
            return pid
    return None


def _connected_to(port: int) -> set[str]:
    wanted = f":{port:04X}"
    rows = Path("/proc/net/tcp").read_text().splitlines()[1:]
    cells = [row.split() for row in rows]
    return {c[9] for c in cells if c[2].endswith(wanted) and c[3] == "01"}


def _pids() -> list[int]:
    return [int(one) for one in os.listdir("/proc") if one.isdigit()]


def _sockets_of(pid: int) -> set[str]:
    found = set()
    with contextlib.suppress(OSError):
        for one in os.listdir(f"/proc/{pid}/fd"):
            with contextlib.suppress(OSError):
                aim = os.readlink(f"/proc/{pid}/fd/{one}")
                if aim.startswith("socket:["):
                    found.add(aim[8:-1])
    return found


# --- deaths ---------------------------------------------------------------------------

OF_PROCESSES = ("chamber", "supply", "scanner", "counter", "probe")
KINDS = (
    "keeper killed",
    "keeper stopped",
    *(f"process of {one} killed" for one in OF_PROCESSES),
    "chamber's line cut",
    "chamber without mains",
)
CUT_S = 8.0
"""Real seconds until a chamber that was cut is there again."""


def die(kind: str, rack: ServedRack, keeper) -> bool:
    """Let it happen; False where there was nobody to die."""
    if kind == "keeper killed":
        keeper.kill()
    elif kind == "keeper stopped":
        keeper.send_signal(signal.SIGSTOP)
    elif kind == "chamber's line cut":
        rack.ask(f"chamber deaf {CUT_S}")
    elif kind == "chamber without mains":
        rack.ask(f"chamber dead {CUT_S}")
    else:
        name = kind.split()[2]
        limit = host_deadline(4.0)
        while (pid := process_at(rack.ports[name], keeper.pid)) is None:
            if limit.passed or keeper.poll() is not None:
                return False
            host_sleep(0.02)
        os.kill(pid, signal.SIGKILL)
    return True


# --- audits ---------------------------------------------------------------------------


def measured_twice(database: Path) -> list[str]:
    """Return what was measured more or less than once, among what counts."""
    wrong = []
    with closing(Reader.open(database)) as reader:
        for run in reader.all_runs():
            plan = plan_of(run)
            steps = [p.step.index for p in device_points(reader, run, plan)]
            if steps != [step.index for step in plan.steps]:
                wrong.append(f"{run.device}: steps {steps}")
            wrong += [
                f"{run.device}: {len(p.offsets_ppm)} readings in {p.step.name}"
                for p in device_points(reader, run, plan)
                if len(p.offsets_ppm) != p.step.gates
            ]
    return wrong


def wrong_ids(folder: Path) -> tuple[int, list[str]]:
    """Return how many readings there are, and those of another device's channel."""
    rows = [json.loads(one) for one in (folder / "truth.jsonl").open()]
    served = {(row["mono_ns"], float(row["text"])) for row in rows if _is_count(row)}
    moves = [
        (row["mono_ns"], row["text"]) for row in rows if row["instrument"] == "scanner"
    ]
    by_value: dict[float, list[int]] = {}
    for mono_ns, value in served:
        by_value.setdefault(value, []).append(mono_ns)
    count, wrong = 0, []
    with closing(Reader.open(folder / "q.db")) as reader:
        for run in reader.all_runs():
            channel = f"(@{100 + int(run.position[1:])})"
            columns = reader.columns_after(run.id)
            for at_ns, hertz in zip(
                columns.mono_ns.tolist(), columns.frequency_hz.tolist(), strict=True
            ):
                count += 1
                ends = [one for one in by_value.get(hertz, ()) if one <= at_ns + 10**9]
                if not ends:
                    wrong.append(f"{run.device}: {hertz} Hz was never served")
                    continue
                end_ns = max(ends)
                begin_ns = end_ns - round(GATE_S * 1e9)
                closed = _closed_between(moves, begin_ns, end_ns)
                if closed != {channel}:
                    wrong.append(f"{run.device}: {hertz} Hz through {closed}")
    return count, wrong


def _is_count(row) -> bool:
    return row["instrument"] == "counter" and bool(row["text"])


def _closed_between(moves, begin_ns: int, end_ns: int) -> set[str]:
    before = [text for at_ns, text in moves if at_ns <= begin_ns]
    within = [text for at_ns, text in moves if begin_ns < at_ns <= end_ns]
    return {*before[-1:], *within}


def apart(found, undisturbed) -> list[tuple[str, float]]:
    """Return each figure with its distance from the undisturbed, in U of both."""
    base = {one["device"]: one for one in undisturbed["devices"]}
    assert sorted(base) == sorted(one["device"] for one in found["devices"])
    distances = []
    for one in found["devices"]:
        there = {line["name"]: line for line in base[one["device"]]["characteristics"]}
        assert list(there) == [line["name"] for line in one["characteristics"]]
        for line in one["characteristics"]:
            other = there[line["name"]]
            assert (line["value"] is None) == (other["value"] is None), line
            if line["value"] is not None:
                both = (line["u"] ** 2 + other["u"] ** 2) ** 0.5
                name = f"{one['device']} {line['name']}"
                distances.append((name, abs(line["value"] - other["value"]) / both))
    return distances
