"""The kinds of fault of the campaign: what each does, and how long it then needs.

Each function carries out one fault on a rig and may wait; `rng` varies it.
"""

import json
import os
import signal
import sqlite3
import subprocess
import sys
from contextlib import suppress

from benchlog.clock import host_sleep

PATIENCE_S = 300.0
"""For a program of ours on a computer that is very busy."""


def _line(text):
    return lambda rig, rng: rig.order(text)


def late(rig, rng):
    rig.order(f"counter late {rng.uniform(2.5, 4.0):.2f}")


def identity(rig, rng):
    rig.order("counter identity SIMULATED,Other Counter,SIM-9999,1.0")
    rig.order("counter drop")


def refuse_gate(rig, rng):
    rig.order("counter refuse-gate")
    rig.order("counter drop")


def deaf(rig, rng):
    rig.order(f"counter deaf {rng.uniform(0.5, 2.0):.2f}")


def taken_out(rig, rng):
    rig.order("device A remove")
    host_sleep(rng.uniform(0.3, 1.0))
    rig.order(f"device A insert {rng.uniform(-10, 10):.3f}")


def heated(rig, rng):
    """Heat the room beyond what the part is promised for, for some readings."""
    rig.order(f"air by {rng.uniform(55, 65):.1f} {rng.uniform(1.5, 3) * rig.scale:.1f}")


def knocked(rig, rng):
    rig.order(f"device A step {rng.choice([-2, -1, 1, 2])}")


def _driver(verb):
    def ordered(rig, rng):
        """Give the order; wait until the driver has taken it."""
        rig.order_driver(verb)
        for _ in range(200):
            if not list(rig.orders.glob("*.order")):
                return
            host_sleep(0.05)

    return ordered


def killed(rig, rng):
    if pids := rig.instrument_pids():
        with suppress(ProcessLookupError):
            os.kill(rng.choice(pids), signal.SIGKILL)


def frozen(rig, rng):
    """Stop an instrument's process for a while, as a swapping computer does."""
    if pids := rig.instrument_pids():
        pid = rng.choice(pids)
        with suppress(ProcessLookupError):
            os.kill(pid, signal.SIGSTOP)
            host_sleep(rng.uniform(0.5, 1.5))
            os.kill(pid, signal.SIGCONT)


def keeper_frozen(rig, rng):
    os.kill(rig.keeper.pid, signal.SIGSTOP)
    host_sleep(rng.uniform(0.5, 2.0))
    os.kill(rig.keeper.pid, signal.SIGCONT)


def busy(rig, rng):
    """Hold the write lock, as another program does that writes for long."""
    hold = (
        "import sqlite3,sys,time; c=sqlite3.connect(sys.argv[1],timeout=20,"
        "isolation_level=None); c.execute('begin immediate');"
        "time.sleep(float(sys.argv[2])); c.execute('rollback')"
    )
    words = [
        sys.executable,
        "-c",
        hold,
        str(rig.database),
        f"{rng.uniform(0.5, 2):.2f}",
    ]
    subprocess.run(words, check=False, capture_output=True, timeout=PATIENCE_S)


def full(rig, rng):
    """Fill the disk up; make room again after a while.

    The log is emptied first: as long as it has room within, a full disk is not felt.
    """
    empty = (
        "import sys; from pathlib import Path; from benchlog.store import sqlite;"
        "c = sqlite.connect_to_write(Path(sys.argv[1]));"
        "c.execute('pragma wal_checkpoint(truncate)')"
    )
    words = [sys.executable, "-c", empty, str(rig.database)]
    subprocess.run(words, check=False, capture_output=True, timeout=PATIENCE_S)
    filler = rig.database.with_name("filler")
    with suppress(OSError), filler.open("wb", buffering=0) as out:
        while True:
            out.write(bytes(65_536))
    with suppress(OSError), filler.open("ab", buffering=0) as out:
        while True:
            out.write(bytes(512))
    host_sleep(rng.uniform(0.5, 2.0))
    filler.unlink()


def removed(rig, rng):
    for path in rig.database.parent.glob(rig.database.name + "*"):
        if path.suffix != ".sock":
            path.unlink(missing_ok=True)
    host_sleep(2.5)


def replaced(rig, rng):
    """Put another database in its place; the rows are found beside it then."""
    other = rig.database.with_name("other.tmp")
    with sqlite3.connect(other) as connection:
        connection.execute("create table stranger (a)")
    connection.close()
    before = set(rig.database.parent.glob("*-rescued-*"))
    os.replace(other, rig.database)
    for _ in range(200):
        host_sleep(0.1)
        new = set(rig.database.parent.glob("*-rescued-*.db")) - before
        if new:
            rig.database = new.pop()
            return


def _host(rig, **change):
    path = rig.folder / "host.json"
    known = json.loads(path.read_text()) if path.exists() else {}
    for name, seconds in change.items():
        known[name] = known.get(name, 0) + seconds
    half = path.with_suffix(".new")
    half.write_text(json.dumps(known))
    half.replace(path)


def suspended(rig, rng):
    _host(rig, asleep_s=rng.uniform(60, 7200))


def clock_stepped(rig, rng):
    _host(rig, stepped_s=rng.choice([-3600, -2, 2, 3600]))


KINDS = {
    # kind: (share of the campaign, what happens, the events of which one must tell it)
    "answer late": (40, late, ""),
    "answer half": (40, _line("counter half"), "silent"),
    "answer garbage": (35, _line("counter garbage"), "garbled"),
    "no answer": (30, _line("counter silent"), "silent"),
    "answered twice": (30, _line("counter two"), "out-of-step"),
    "cut in an answer": (40, _line("counter cut"), "lost"),
    "connection dropped": (35, _line("counter drop"), "lost"),
    "nobody listens": (20, deaf, "lost"),
    "no signal": (25, _line("counter no-signal x3"), "no-signal"),
    "overload": (15, _line("counter overload x2"), "overload"),
    "another instrument": (12, identity, "wrong-instrument"),
    "setting refused": (8, refuse_gate, "instrument-message"),
    "device taken out": (10, taken_out, "no-signal silent"),
    "device knocked": (12, knocked, "step"),
    "room too hot": (12, heated, "ambient-range"),
    "thermometer dropped": (15, _line("room drop"), "lost"),
    "thermometer garbage": (15, _line("room garbage"), "garbled"),
    "driver hangs": (14, _driver("hang"), "hung"),
    "driver crashes": (14, _driver("crash"), "crashed"),
    "driver leaks": (8, _driver("leak"), "leaked"),
    "driver floods": (6, _driver("flood"), "flooded"),
    "driver's own fault": (10, _driver("fault"), "driver"),
    "instrument process killed": (12, killed, "crashed"),
    "instrument process frozen": (12, frozen, ""),
    "keeper frozen": (10, keeper_frozen, ""),
    "database busy": (12, busy, ""),
    "disk full": (10, full, "store-wait"),
    "database removed": (6, removed, "store-replaced"),
    "database replaced": (2, replaced, "store-replaced"),
    "computer suspended": (6, suspended, "asleep"),
    "wall clock stepped": (6, clock_stepped, "clock-step"),
}


def schedule(rng, count):
    """Return `count` kinds in random order: by share, each at least once."""
    total = sum(share for share, *_ in KINDS.values())
    kinds = [
        k for k, (s, *_) in KINDS.items() for _ in range(max(1, s * count // total))
    ]
    while len(kinds) < count:
        kinds.append(rng.choice(list(KINDS)))
    rng.shuffle(kinds)
    return kinds[:count]


SOMETIMES = ("device knocked",)
"""A step is told when enough readings follow on each other before and behind it."""


def telling(kind):
    """Return the kinds of event of which one must tell of a kind of fault; or none."""
    return KINDS[kind][2].split() if kind in KINDS else ["local-time"]
