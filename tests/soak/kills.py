"""kill -9 of keeper, instrument process, screen, server and export, at random moments.

    python tests/soak/kills.py [--kills 200] [--seed N ...] [--only TARGET ...] [--keep]

A killed keeper is started again and goes on with its run; one that is killed at its
start, too, and one whose first start makes the database. A killed server of pages
leaves nobody in the way of the next; a killed export leaves no file under the name
that was asked for, and the next one removes what is left. What anybody had seen must be
there, nothing twice, every gap explained, the file sound, nothing left lying about; how
many values were on their way when a keeper was killed is counted. With several seeds
the kills are shared out among them; Ctrl-C reports those that are done.
"""

import argparse
import os
import pty
import re
import signal
import socket
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
from rig import LEFT, Rig, children_of, wait_for
from seeds import seeded_random

from benchlog.clock import host_sleep

START_S = 2.5
"""A keeper has begun its run by then, on an idle computer."""
EXPORT_S = 1.5
"""An export of such a run is done by then, on an idle computer."""
SECOND_OF_READINGS = 500
"""What comes in beside an export, with much to spare."""


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
        starting = rig.keeper_process(1e6, resume=run_of(rig), start=subprocess.Popen)
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
    starting = rig.keeper_process(1e6, database=database, start=subprocess.Popen)
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


def kill_server(rig, rng, unusable):
    """Kill a server of pages at its start or beside an open page, and then the next."""
    for at_start in (True, False):
        words = ["watch", str(run_of(rig)), "--serve", "--port", "0"]
        serving = subprocess.Popen(
            [sys.executable, "-m", "benchlog.cli", *words, "--db", str(rig.database)],
            env=rig.environment(),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            start_new_session=True,
        )
        page = None
        if not at_start:
            address = re.search(r"http://([\d.]+):(\d+)/\?key=(\S+)", told(serving))
            page = opened_page(*address.groups())
        host_sleep(rng.uniform(0.0, START_S))
        screens = children_of(serving.pid)
        if page is not None and not screens:
            unusable.append("a server without a screen beside an open page")
        seen = rig.count()
        killed(serving)
        serving.stdout.close()
        if page is not None:
            page.close()
        wait_for(lambda pids=screens: not any(map(alive, pids)), 20)
    return seen, rig.count()


def told(process):
    """Return the line in which a server tells where it is."""
    for line in process.stdout:
        if "http://" in line:
            return line
    return ""


def opened_page(host, port, key):
    """Open a page as a browser does, RFC 6455 section 1.3; its screen starts."""
    link = socket.create_connection((host, int(port)), timeout=10)
    lines = [
        f"GET /ws/{key}?width=100&height=30 HTTP/1.1",
        f"Host: {host}:{port}",
        f"Origin: http://{host}:{port}",
        "Upgrade: websocket",
        "Connection: Upgrade",
        "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==",
        "Sec-WebSocket-Version: 13",
    ]
    link.sendall("\r\n".join([*lines, "", ""]).encode())
    if b" 101 " not in link.recv(200):
        raise AssertionError("the server opened no page")
    return link


def alive(pid):
    try:
        said = Path(f"/proc/{pid}/stat").read_text()
    except (FileNotFoundError, ProcessLookupError):
        return False
    return not said.rpartition(") ")[2].startswith("Z")


def kill_export(rig, rng, unusable):
    """Kill an export; its file is not there, and the next one leaves nothing else."""
    out = rig.folder / f"out-{rng.randrange(10**6)}.csv"
    words = [sys.executable, "-m", "benchlog.cli", "export", str(run_of(rig))]
    words += ["--out", str(out), "--db", str(rig.database)]
    writing = subprocess.Popen(
        words,
        env=rig.environment(),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    host_sleep(rng.uniform(0.0, EXPORT_S))
    seen = rig.count()
    killed(writing)
    rows = _rows(out) if out.exists() else None
    if rows is not None and rows < seen - SECOND_OF_READINGS:
        unusable.append(f"an export of {rows} rows beside {seen} readings")
    again = subprocess.run(
        [*words, "--overwrite"],
        env=rig.environment(),
        capture_output=True,
        text=True,
        check=False,
    )
    if again.returncode or _rows(out) < seen:
        unusable.append(f"the next export: {again.stderr} {_rows(out)} of {seen}")
    out.unlink(missing_ok=True)
    return seen, rig.count()


def _rows(path):
    """Return the readings in a CSV file that was exported; 0 where there is none."""
    if not path.exists():
        return 0
    with path.open() as lines:
        return sum(1 for line in lines if line[:1].isdigit())


KILLS = {
    "keeper": kill_keeper,
    "keeper at its start": kill_at_start,
    "keeper at its first start": kill_at_first_start,
    "instrument process": kill_instrument,
    "screen": kill_screen,
    "server": kill_server,
    "export": kill_export,
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
    left = [p.name for sort in (*LEFT, "first-*") for p in rig.folder.glob(sort)]
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
        f"mark. Databases of first starts and exports that could not be used: "
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
