"""A simulated bench and a keeper as processes, and hands to disturb them."""

import json
import os
import re
import signal
import socket
import subprocess
import sys
from contextlib import closing, suppress
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from warm_program import InnerProgram, Program, is_nursery

from benchlog.clock import host_deadline, host_sleep
from benchlog.store.reader import Reader

HERE = Path(__file__).parent
START_S = 120.0
PART = "quartz-16mhz-30ppm"
LEFT = ("*.sock", "*.sock.new", "*.part", "*.unsaved*")
"""Files that no keeper leaves when it has ended as it should."""


def wait_for(true, within_s=START_S):
    """Wait until `true()`; complains when that does not come."""
    limit = host_deadline(within_s)
    while not true():
        if limit.passed:
            raise AssertionError(f"waited {within_s:g} s in vain")
        host_sleep(0.02)


def started(words, **how):
    """Start a program of ours: from a nursery where this one came from one itself.

    Begun by hand these campaigns start interpreters.
    """
    return (Program if InnerProgram.nursery else subprocess.Popen)(words, **how)


def children_of(pid):
    """Return the pids of a process's children."""
    try:
        text = Path(f"/proc/{pid}/task/{pid}/children").read_text()
    except OSError:
        return []
    return [int(one) for one in text.split()]


def members_of(session):
    """Return the pids of a session, without those that are over."""
    found = []
    for path in Path("/proc").glob("[0-9]*/stat"):
        with suppress(OSError):
            state, _, _, at = path.read_text().rpartition(") ")[2].split()[:4]
            pid = int(path.parent.name)
            if int(at) == session and state != "Z" and not is_nursery(pid):
                found.append(pid)
    return found


class Rig:
    """One bench, one keeper, one database, all under one folder."""

    def __init__(self, folder, *, scale, gate_s, database=None):
        self.folder = Path(folder)
        self.database = database or self.folder / "soak.db"
        self.scale, self.gate_s = scale, gate_s
        self.orders = self.folder / "orders"
        self.orders.mkdir(parents=True, exist_ok=True)
        self.bench_file = self.folder / "bench.toml"
        self.truth = self.folder / "truth.jsonl"
        self.more = {}
        self.simulator = self.keeper = None

    def environment(self):
        kept = {k: v for k, v in os.environ.items() if not k.startswith("BENCHLOG_")}
        path = os.pathsep.join([str(HERE / "strangers"), kept.get("PYTHONPATH", "")])
        return kept | {
            **self.more,
            "BENCHLOG_TIME_SCALE": str(self.scale),
            "PYTHONPATH": path.rstrip(os.pathsep),
            "XDG_STATE_HOME": str(self.folder / "state"),
            "PYTHONDONTWRITEBYTECODE": "1",
        }

    def start_bench(self, seed=1, *, diary=True):
        """Start the simulated bench; with a diary, by a driver of ours."""
        served = self.folder / "served.toml"
        words = ["simulate", "--part", PART, "--seed", str(seed)]
        words += ["--gate-s", str(self.gate_s), "--bench-out", str(served)]
        words += ["--truth", str(self.truth), "--until-eof", "--json"]
        self.simulator = started(
            [sys.executable, "-m", "benchlog.cli", *words],
            env=self.environment(),
            stdin=subprocess.PIPE,
            stdout=(self.folder / "addresses.json").open("wb"),
            stderr=(self.folder / "simulate.log").open("wb"),
        )
        wait_for(lambda: (self.folder / "addresses.json").stat().st_size > 20)
        host_sleep(0.1)
        text = served.read_text()
        if diary:
            text = text.replace('"scpi-counter"', '"soak-counter"', 1)
            text = text.replace("gate_s", f'orders = "{self.orders}"\ngate_s', 1)
        self.bench_file.write_text(text)
        addresses = json.loads((self.folder / "addresses.json").read_text())
        self._control = int(re.findall(r"\d+$", addresses["control"])[0])

    def keeper_process(self, for_s, resume=None, database=None, start=started):
        """Start a keeper and do not wait for anything of it."""
        program = [sys.executable, str(HERE / "keeper_program.py")]
        database = database or self.database
        words = [database, self.bench_file, PART, for_s, self.folder]
        words += [] if resume is None else [resume]
        with (self.folder / "keeper.log").open("ab") as log:
            return start(
                [*program, *map(str, words)],
                env=self.environment(),
                stdin=subprocess.DEVNULL,
                stderr=log,
                start_new_session=True,
            )

    def start_keeper(self, for_s, resume=None):
        before = self.count()
        self.keeper = self.keeper_process(for_s, resume)
        wait_for(lambda: self.database.exists() and self.count() > before + 2)

    def reader(self, database=None):
        return closing(Reader.open(database or self.database))

    def count(self):
        try:
            with self.reader() as reader:
                run = reader.latest_run()
                return 0 if run is None else reader.count(run.id)
        except Exception:
            return 0

    def told_since(self, last_id, kinds):
        """Return whether an event of these kinds came after one, and the last id."""
        try:
            with self.reader() as reader:
                events = reader.events(reader.latest_run().id, last_id)
        except Exception:  # the database is just being put back
            return False, last_id
        told = any(event.kind in kinds for _, event in events)
        return told, max([last_id, *(number for number, _ in events)])

    def order(self, line):
        """Tell the simulated bench to misbehave."""
        with socket.create_connection(("127.0.0.1", self._control), 10) as link:
            link.sendall(line.encode() + b"\n")
            answer = link.makefile().readline()
        assert answer.startswith("ok"), (line, answer)
        return answer

    def order_driver(self, verb):
        (self.orders / f"{verb}.order").touch()

    def instrument_pids(self):
        """Return the keeper's instrument processes (not its messengers)."""
        found = []
        for pid in children_of(self.keeper.pid):
            try:
                words = Path(f"/proc/{pid}/cmdline").read_bytes()
            except OSError:
                continue
            if b"benchlog.recorder.instruments.instrument_process" in words:
                found.append(pid)
        return found

    def left_over(self):
        """Return what a stopped keeper left: files that nobody needs, processes."""
        folders = {self.folder, self.database.parent}
        left = [path.name for at in folders for sort in LEFT for path in at.glob(sort)]
        return left + [f"process {pid}" for pid in members_of(self.keeper.pid)]

    def stop(self):
        for process in (self.keeper, self.simulator):
            if process is not None and process.poll() is None:
                process.send_signal(signal.SIGTERM)
        for process in (self.keeper, self.simulator):
            if process is None:
                continue
            if process.stdin is not None:
                process.stdin.close()
            try:
                process.wait(40)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
