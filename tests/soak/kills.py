"""kill -9 of keeper, instrument process and screen, each at random moments.

    python tests/soak/kills.py [--kills 200] [--seed N ...] [--only TARGET ...] [--keep]

A killed keeper is started again and goes on with its run; one that is killed at its
start, too, and one whose first start makes the database. What anybody had seen must be
there, nothing twice, every gap explained, the file sound, nothing left lying about; how
many values were on their way when a keeper was killed is counted. With several seeds
the kills are shared out among them; Ctrl-C reports those that are done.
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
from audit import Findings, audit
from rig import Rig, wait_for
from seeds import seeded_random

from benchlog.clock import host_sleep

START_S = 2.5
"""A keeper has begun its run by then, on an idle computer."""
LEFT = ("*.sock", "*.sock.new", "*.part", "*.unsaved*", "first-*")


@dataclass
class Row:
    kills: int = 0
    seen_and_gone: int = 0
    went_on: int = 0

    def __add__(self, other):
        return Row(
            self.kills + other.kills,
            self.seen_and_gone + other.seen_and_gone,
            self.went_on + other.went_on,
        )


@dataclass
class Outcome:
    """What one seed led to: by target, the audit, SQLite's check, what was left."""

    rows: dict
    found: Findings
    check: str
    left: list
    unusable: list


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


def killed(process):
    os.kill(process.pid, signal.SIGKILL)
    process.wait()


def run_of(rig):
    with rig.reader() as reader:
        return reader.latest_run().id


def kill_keeper(rig, rng, unusable):
    host_sleep(rng.uniform(0.0, 0.5))
    seen = rig.count()
    killed(rig.keeper)
    there = rig.count()
    rig.start_keeper(1e6, resume=run_of(rig))
    return seen, there


def kill_at_start(rig, rng, unusable):
    """Kill the keeper, then the one that goes on with its run while it starts."""
    seen = rig.count()
    killed(rig.keeper)
    for _ in range(rng.choice((1, 1, 2))):
        starting = rig.keeper_process(1e6, resume=run_of(rig))
        host_sleep(rng.uniform(0.0, START_S))
        seen = max(seen, rig.count())
        killed(starting)
    there = rig.count()
    rig.start_keeper(1e6, resume=run_of(rig))
    return seen, there


def kill_at_first_start(rig, rng, unusable):
    """Kill a keeper that makes its database; the next one must be able to use it."""
    seen = rig.count()
    killed(rig.keeper)
    database = rig.folder / f"first-{rng.randrange(10**6)}.db"
    starting = rig.keeper_process(1e6, database=database)
    host_sleep(rng.uniform(0.0, START_S))
    killed(starting)
    unusable += [said for said in [trouble_with(rig, database)] if said]
    for path in rig.folder.glob(f"{database.name}*"):
        path.unlink()
    there = rig.count()
    rig.start_keeper(1e6, resume=run_of(rig))
    return seen, there


def trouble_with(rig, database):
    """Return what is wrong with a database that a killed keeper left; "" is nothing.

    One that is still empty is told so, and the next keeper can use it.
    """
    if not database.exists():
        return ""
    words = [sys.executable, "-m", "benchlog.cli", "runs", "--json"]
    done = subprocess.run(
        [*words, "--db", str(database)],
        env=rig.environment(),
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode and "no run was ever begun" not in done.stderr:
        return done.stderr
    said = integrity(database)
    if said != "ok":
        return said
    again = rig.keeper_process(0.3, database=database)
    if again.wait(60):
        return "a keeper cannot use what another one left"
    sockets = [p.name for p in rig.folder.glob(f"{database.name}.*.sock*")]
    return f"left lying about: {sockets}" if sockets else ""


def kill_instrument(rig, rng, unusable):
    host_sleep(rng.uniform(0.0, 0.3))
    seen = rig.count()
    if pids := rig.instrument_pids():
        with suppress(ProcessLookupError):
            os.kill(rng.choice(pids), signal.SIGKILL)
    return seen, rig.count()


def kill_screen(rig, rng, unusable):
    process, terminal = watched(rig)
    host_sleep(rng.uniform(0.2, 1.5))
    seen = rig.count()
    process.kill()
    process.wait()
    os.close(terminal)
    return seen, rig.count()


KILLS = {
    "keeper": kill_keeper,
    "keeper at its start": kill_at_start,
    "keeper at its first start": kill_at_first_start,
    "instrument process": kill_instrument,
    "screen": kill_screen,
}


def integrity(database):
    """Return what another build of SQLite than the keeper's says of the file."""
    check = (
        "import sqlite3,sys; c=sqlite3.connect(sys.argv[1]);"
        "print(c.execute('pragma integrity_check').fetchone()[0])"
    )
    words = [sys.executable, "-c", check, str(database)]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    return (done.stdout or done.stderr).strip()


def kills(folder, count, seed, targets):
    """Kill so often; return what came of it."""
    rng = seeded_random(seed)
    rows, unusable = defaultdict(Row), []
    rig = Rig(folder, scale=1, gate_s=0.02)
    try:
        rig.start_bench(seed)
        rig.start_keeper(1e6)
        for number in range(count):
            target = targets[number % len(targets)]
            seen, there = KILLS[target](rig, rng, unusable)
            wait_for(lambda at=there: rig.count() > at, 40)
            rows[target] += Row(1, int(there < seen), 1)
            print(f"{number + 1}/{count} {target}", file=sys.stderr, flush=True)
    finally:
        rig.stop()
    with rig.reader() as reader:
        run_id = reader.latest_run().id
        found = audit(reader, run_id, rig.truth, rig.orders / "acknowledged.jsonl", 1)
    left = [p.name for sort in LEFT for p in rig.folder.glob(sort)]
    return Outcome(rows, found, integrity(rig.database), left, unusable)


def note_on(seeds, several):
    """Return in words what the audits of all seeds found together."""
    found = [one.found for one in several]

    def total(name):
        return sum(len(getattr(one, name)) for one in found)

    checks = ", ".join(sorted({one.check for one in several}))
    return (
        f"Seeds {', '.join(map(str, seeds))}, 50 readings a second. "
        f"{sum(one.readings for one in found):,} readings, "
        f"{sum(one.acknowledged for one in found):,} values handed over by the driver; "
        f"on their way when their process was killed: {total('lost')}, "
        f"{total('lost_outside_gaps')} of them outside a marked gap; "
        f"twice {total('doubled')}, of unknown origin {total('unknown')}, "
        f"wrong {total('wrong')}; {sum(one.gaps for one in found)} gaps, "
        f"{total('unexplained')} without an event, {total('unmarked')} holes without a "
        f"mark. Databases of first starts that could not be used: "
        f"{sum(len(one.unusable) for one in several)}; files left lying about: "
        f"{sum(len(one.left) for one in several)}. integrity_check: {checks}."
    )


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, nargs="+", default=[20261125])
    parser.add_argument("--only", nargs="+", choices=KILLS, default=list(KILLS))
    parser.add_argument("--keep", action="store_true")
    given = parser.parse_args()
    share = -(-given.kills // len(given.seed))
    several = []
    signal.signal(signal.SIGINT, signal.default_int_handler)  # in the background, too
    with suppress(KeyboardInterrupt):  # Ctrl-C: the seeds that are done are reported
        for seed in given.seed:
            with tempfile.TemporaryDirectory(prefix="soak-kills-") as folder:
                several.append(kills(Path(folder), share, seed, given.only))
    rows = defaultdict(Row)
    for name, row in (pair for one in several for pair in one.rows.items()):
        rows[name] += row
    body = [
        (name, str(r.kills), str(r.went_on), str(r.seen_and_gone))
        for name, r in sorted(rows.items())
    ]
    head = ("killed with SIGKILL", "times", "run went on", "readings seen, then gone")
    note = note_on(given.seed[: len(several)], several)
    results.report("Sudden death", head, body, note, keep=given.keep)
    wrong = [amiss(one) for one in several]  # all of them say what they found
    return int(any(wrong))


def amiss(one):
    """Say on standard error what must not be; whether there was anything."""
    gone = sum(row.seen_and_gone for row in one.rows.values())
    wrong = {**one.found.bad, "left": one.left, "unusable": one.unusable}
    wrong["seen, then gone"] = [gone] if gone else []
    wrong["integrity_check"] = [] if one.check == "ok" else [one.check]
    for name, listed in wrong.items():
        if listed:
            print(name, listed[:20], file=sys.stderr)
    return any(wrong.values())


if __name__ == "__main__":
    sys.exit(main())
