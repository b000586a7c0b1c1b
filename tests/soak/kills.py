"""kill -9 of keeper, instrument process and screen, each at random moments.

    python tests/soak/kills.py [--kills 200] [--seed N] [--keep]

A killed keeper is started again and goes on with its run. What anybody had seen must be
there, nothing twice, every gap explained, the file sound; how many values were on their
way when a keeper was killed is counted.
"""

import argparse
import os
import pty
import signal
import subprocess
import sys
import tempfile
from collections import defaultdict
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parent.parent))

import results
from audit import audit
from rig import Rig, wait_for
from seeds import seeded_random

from benchlog.clock import host_sleep

TARGETS = ("keeper", "instrument process", "screen")


@dataclass
class Row:
    kills: int = 0
    seen_and_gone: int = 0
    went_on: int = 0


def watched(rig):
    """Open a screen in a terminal of its own; return its pid and the terminal."""
    with rig.reader() as reader:
        run_id = reader.latest_run().id
    ours, theirs = pty.openpty()
    words = ["watch", str(run_id), "--db", str(rig.database)]
    process = subprocess.Popen(
        [sys.executable, "-m", "benchlog.cli", *words],
        env=rig.environment() | {"TERM": "xterm-256color"},
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        start_new_session=True,
    )
    os.close(theirs)
    return process, ours


def kill_keeper(rig, rng):
    host_sleep(rng.uniform(0.0, 0.5))
    seen = rig.count()
    os.kill(rig.keeper.pid, signal.SIGKILL)
    rig.keeper.wait()
    there = rig.count()
    with rig.reader() as reader:
        run_id = reader.latest_run().id
    rig.start_keeper(1e6, resume=run_id)
    return seen, there


def kill_instrument(rig, rng):
    host_sleep(rng.uniform(0.0, 0.3))
    seen = rig.count()
    if pids := rig.instrument_pids():
        with suppress(ProcessLookupError):
            os.kill(rng.choice(pids), signal.SIGKILL)
    return seen, rig.count()


def kill_screen(rig, rng):
    process, terminal = watched(rig)
    host_sleep(rng.uniform(0.2, 1.5))
    seen = rig.count()
    process.kill()
    process.wait()
    os.close(terminal)
    return seen, rig.count()


KILLS = dict(zip(TARGETS, (kill_keeper, kill_instrument, kill_screen), strict=True))


def kills(folder, count, seed):
    """Run it; return (rows, findings, what SQLite's own check says)."""
    rng = seeded_random(seed)
    rows = defaultdict(Row)
    rig = Rig(folder, scale=1, gate_s=0.02)
    try:
        rig.start_bench(seed)
        rig.start_keeper(1e6)
        for number in range(count):
            target = rng.choice(TARGETS)
            seen, there = KILLS[target](rig, rng)
            rows[target].kills += 1
            rows[target].seen_and_gone += there < seen
            wait_for(lambda at=there: rig.count() > at, 40)
            rows[target].went_on += 1
            print(f"{number + 1}/{count} {target}", file=sys.stderr, flush=True)
    finally:
        rig.stop()
    with rig.reader() as reader:
        run_id = reader.latest_run().id
        found = audit(reader, run_id, rig.truth, rig.orders / "acknowledged.jsonl", 1)
    check = (
        "import sqlite3,sys; c=sqlite3.connect(sys.argv[1]);"
        "print(c.execute('pragma integrity_check').fetchone()[0])"
    )
    words = [sys.executable, "-c", check, str(rig.database)]
    said = subprocess.run(words, capture_output=True, text=True, check=False)
    return rows, found, said.stdout.strip()


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=20261125)
    parser.add_argument("--keep", action="store_true")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="soak-kills-") as folder:
        rows, found, check = kills(Path(folder), given.kills, given.seed)
    body = [
        (name, str(r.kills), str(r.went_on), str(r.seen_and_gone))
        for name, r in sorted(rows.items())
    ]
    note = (
        f"Seed {given.seed}, 50 readings a second. {found.readings:,} readings, "
        f"{found.acknowledged:,} values handed over by the driver; on their way when "
        f"their process was killed: {len(found.lost)}, "
        f"{len(found.lost_outside_gaps)} of them outside a marked gap; "
        f"twice {len(found.doubled)}, of unknown origin "
        f"{len(found.unknown)}, wrong {len(found.wrong)}; {found.gaps} gaps, "
        f"{len(found.unexplained)} without an event, {len(found.unmarked)} holes "
        f"without a mark. integrity_check: {check}."
    )
    head = ("killed with SIGKILL", "times", "run went on", "readings seen, then gone")
    results.report("Sudden death", head, body, note, keep=given.keep)
    for name, listed in found.bad.items():
        print(name, listed[:20], file=sys.stderr)
    gone = sum(r.seen_and_gone for r in rows.values())
    return 1 if found.bad or gone or check != "ok" else 0


if __name__ == "__main__":
    sys.exit(main())
