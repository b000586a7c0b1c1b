"""Everything at once, beside a gate of a millisecond: does the keeper keep its pace?

    python tests/soak/everything.py [--rest-s 300] [--busy-s 1800] [--gate-s 0.001]
        [--seed N] [--keep]

One keeper measures with nobody beside it (rest). Then come four onlookers, reports and
backups one after the other, hostile requests at its control socket and at a server of
pages, and a storm of alarms that each start a program (busy). The table holds the
spacing of the readings in both phases side by side; p99 may be three times as long when
busy. Memory must not grow from the middle third of the busy phase to the last.
"""

import argparse
import json
import re
import socket
import subprocess
import sys
import tempfile
import threading
from collections import defaultdict
from contextlib import suppress
from itertools import cycle
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parent.parent))

import numpy as np
import results
from audit import held_against_gaps
from crowd import onlooker
from fuzz.loop import mutated
from fuzz.requests import SEEDS, WORDS, Knocker, made, verb_of
from kills import integrity, told
from rig import Rig
from seeds import seeded_random

from benchlog.clock import HostClock, host_deadline, host_sleep
from benchlog.model import EventKind
from benchlog.recorder.instruments.process_limits import resident_mb
from benchlog.units import NS_PER_S

SLOWER = 3.0
"""What p99 of the spacing may be, in p99 at rest."""
GROWN_MB = 3.0
"""What a process may take more in the last third of the busy phase than in the middle:
above the steps in which Python's allocator takes memory, below what a list of readings
takes in that time. A rule of this program."""
OBEYED = ("stop", "pause", "again")
"""What ends the run or makes it wait is no hostile request, but an order."""
AWAY_S = 30.0
"""Between the last reading and the end of the busy phase, on a busy computer."""
RINGS = (EventKind.ALARM, EventKind.ALARM_OVER)
RULES = 10
STEP_PPM = 100.0
LOOK_S = 2.0
HOSTILE_PAGES = (
    b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
    b"GET /?key=x HTTP/1.1\r\nHost: evil.example\r\n\r\n",
    b"GET /ws/x HTTP/1.1\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n\r\n",
    b"POST / HTTP/1.1\r\nContent-Length: 99999999999\r\n\r\nx",
    b"\x16\x03\x01\x02\x00" + b"\0" * 200,
    b"GET /" + b"a" * 60_000 + b" HTTP/1.1\r\n\r\n",
)


class Repeated(threading.Thread):
    """Does a thing again and again until it is ended; counts how that went."""

    def __init__(self, act, every_s):
        super().__init__(daemon=True)
        self._act, self._every_s, self._over = act, every_s, threading.Event()
        self.done, self.failed = 0, []

    def run(self):
        while not self._over.wait(self._every_s):
            try:
                self._act()
            except Exception as error:  # told in the table, and the program fails
                self.failed.append(repr(error)[:300])
            self.done += 1

    def end(self):
        self._over.set()
        self.join(120)


def command(rig, *words):
    """Run a command of benchlog; raise what it complains of."""
    whole = [sys.executable, "-m", "benchlog.cli", *words, "--db", str(rig.database)]
    done = subprocess.run(
        whole, env=rig.environment(), capture_output=True, text=True, check=False
    )
    if done.returncode not in (0, 1, 2, 3) or "something unexpected" in done.stderr:
        raise RuntimeError(f"{words[0]}: {done.returncode} {done.stderr}")


def hostile_request(rig, rng):
    """Say something to the keeper that it does not expect, and hear its answer."""
    while True:
        data = made(rng) if rng.random() < 0.5 else mutated(rng, SEEDS, WORDS)
        asked = {verb_of(line) for line in data.splitlines()}
        if asked.isdisjoint(OBEYED) and not any(
            verb.encode() in data for verb in OBEYED
        ):
            break
    (path,) = rig.database.parent.glob(f"{rig.database.name}*.sock")
    Knocker(path, rig.keeper, rig.database).enter(data)


def hostile_page(where, rng):
    with socket.create_connection(where, 10) as link, suppress(ConnectionError):
        link.sendall(rng.choice(HOSTILE_PAGES))
        link.shutdown(socket.SHUT_WR)
        while link.recv(65_536):
            pass


def stormy(bench_file):
    """Add rules that ring whenever the device has jumped, and start a program."""
    rules = [
        f'\n[[alarm]]\nwhen = "offset_ppm"\nabove = {STEP_PPM / 2 + number}\n'
        'hysteresis = 0.1\nhold_s = 0\nquiet_s = 0\ncommand = ["true", "{text}"]\n'
        for number in range(RULES)
    ]
    bench_file.write_text(bench_file.read_text() + "".join(rules))


def serving(rig, run_id):
    """Start a server of pages; return it and where it listens."""
    words = ["watch", str(run_id), "--serve", "--port", "0", "--db", str(rig.database)]
    process = subprocess.Popen(
        [sys.executable, "-m", "benchlog.cli", *words],
        env=rig.environment(),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    host, port = re.search(r"http://([\d.]+):(\d+)/", told(process)).groups()
    return process, (host, int(port))


def wait_looking(for_s, pids, memory):
    """Wait; note now and then what each process takes, in MB."""
    limit = host_deadline(for_s)
    while not limit.passed:
        host_sleep(min(LOOK_S, max(0.0, limit.left_s())))
        for name, pid in pids().items():
            with suppress(OSError):
                memory[name].append(resident_mb(pid))


def busy(rig, run_id, for_s, rng):
    """Let everything come at once; return what was done, and memory by process."""
    folder, steps = rig.folder, cycle((STEP_PPM, -STEP_PPM))
    server, where = serving(rig, run_id)
    lookers = [onlooker(rig, run_id) for _ in range(4)]
    page = ("report", str(run_id), "--out", str(folder / "r.html"), "--overwrite")
    copy = ("backup", str(folder / "copy.db"), "--overwrite")
    work = {
        "reports": Repeated(lambda: command(rig, *page), 5.0),
        "backups": Repeated(lambda: command(rig, *copy), 5.0),
        "requests": Repeated(lambda: hostile_request(rig, rng), 0.02),
        "pages asked for": Repeated(lambda: hostile_page(where, rng), 0.2),
        "jumps": Repeated(lambda: rig.order(f"device A step {next(steps)}"), 2.5),
    }
    for one in work.values():
        one.start()
    memory = defaultdict(list)
    try:
        wait_looking(for_s, lambda: processes(rig, server, lookers), memory)
    finally:
        for one in work.values():
            one.end()
        said = [json.loads(one.communicate(timeout=120)[0]) for one in lookers]
        server.terminate()
        server.communicate(timeout=60)
    return work, said, memory


def processes(rig, server, lookers):
    found = {"keeper": rig.keeper.pid, "server of pages": server.pid}
    found |= {f"onlooker {n}": one.pid for n, one in enumerate(lookers, 1)}
    return found | {
        f"instrument process {n}": pid for n, pid in enumerate(rig.instrument_pids(), 1)
    }


def spacing(columns, began_ns, over_ns):
    """Return the ms between readings that follow on each other within two moments."""
    within = (columns.mono_ns >= began_ns) & (columns.mono_ns <= over_ns)
    return np.diff(columns.mono_ns[within]) * 1e-6


def row_of(name, ms):
    figures = [np.median(ms), *np.quantile(ms, (0.99, 0.999)), ms.max()]
    return (name, f"{len(ms):,}", *(f"{one:.3f}" for one in figures))


def grown(mb):
    """Return by how many MB the last third of the looks is above the middle third."""
    third = max(1, len(mb) // 3)
    return float(np.median(mb[-third:]) - np.median(mb[third : 2 * third]))


def carried_out(folder, given):
    """Carry both phases out; return (rows, note, what is amiss)."""
    rng, clock = seeded_random(given.seed), HostClock()
    rig = Rig(folder, scale=1, gate_s=given.gate_s)
    rig.start_bench(given.seed, diary=False)
    stormy(rig.bench_file)
    try:
        rig.start_keeper(1e6)
        with rig.reader() as reader:
            run_id = reader.latest_run().id
        host_sleep(min(10.0, given.rest_s))  # the start is no rest
        moments = [clock.mono_ns()]
        host_sleep(given.rest_s)
        moments.append(clock.mono_ns())
        work, said, memory = busy(rig, run_id, given.busy_s, rng)
        moments.append(clock.mono_ns())
    finally:
        rig.stop()
    with rig.reader() as reader:
        columns = reader.columns_after(run_id)
        events = [event for _, event in reader.events(run_id)]
    phases = [spacing(columns, *moments[:2]), spacing(columns, *moments[1:])]
    found = held_against_gaps(columns, events, 1)
    slower = np.quantile(phases[1], 0.99) / np.quantile(phases[0], 0.99)
    growth = {name: grown(mb) for name, mb in memory.items()}
    check = integrity(rig.database)
    rang = sum(event.kind in RINGS for event in events)
    away_s = (moments[2] - moments[1]) / NS_PER_S - phases[1].sum() / 1e3
    amiss = {
        "p99 when busy, in p99 at rest": slower if slower > SLOWER else None,
        "MB more": {n: mb for n, mb in growth.items() if mb > GROWN_MB},
        "failed": {name: one.failed[:5] for name, one in work.items() if one.failed},
        "onlookers": [one["errors"] for one in said if one["failed"] or one["shrunk"]],
        "holes without a mark": found.unmarked,
        "gaps without an event": found.unexplained,
        "twice": len(columns) - len(np.unique(columns.mono_ns)),
        "left over": rig.left_over(),
        "integrity_check": None if check == "ok" else check,
        "no alarm rang": rang == 0,
        "s without readings at the end": away_s if away_s > AWAY_S else None,
    }
    counts = ", ".join(f"{name} {one.done:,}" for name, one in work.items())
    mb = "; ".join(
        f"{n} {mb[0]:.0f} to {mb[-1]:.0f} ({growth[n]:+.1f})"
        for n, mb in sorted(memory.items())
    )
    note = (
        f"Gate {given.gate_s * 1e3:g} ms, seed {given.seed}; rest {given.rest_s:g} s, "
        f"busy {given.busy_s:g} s. p99 when busy is {slower:.2f} times that at rest; "
        f"at most {SLOWER:g} is asked for. Busy: four onlookers "
        f"({sum(one['ticks'] for one in said):,} rounds), {counts}, alarms {rang:,}; "
        f"failed {sum(len(one.failed) for one in work.values())}. Readings twice "
        f"{amiss['twice']}, gaps {found.gaps}, {len(found.unexplained)} of them "
        f"without an event, holes without a mark {len(found.unmarked)}, left over "
        f"{len(amiss['left over'])}. integrity_check: {check}. Memory in MB when "
        f"busy, first to last (last third above the middle one): {mb}."
    )
    rows = [row_of("rest", phases[0]), row_of("busy", phases[1])]
    return rows, note, {name: what for name, what in amiss.items() if what}


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--rest-s", type=float, default=300.0)
    parser.add_argument("--busy-s", type=float, default=1_800.0)
    parser.add_argument("--gate-s", type=float, default=0.001)
    parser.add_argument("--seed", type=int, default=20261129)
    parser.add_argument("--keep", action="store_true")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="soak-everything-") as folder:
        rows, note, amiss = carried_out(Path(folder), given)
    head = ("phase", "spacings", "median, ms", "p99, ms", "p99.9, ms", "longest, ms")
    results.report("Everything at once", head, rows, note, keep=given.keep)
    for name, what in amiss.items():
        print(f"{name}: {what}", file=sys.stderr)
    return int(bool(amiss))


if __name__ == "__main__":
    sys.exit(main())
