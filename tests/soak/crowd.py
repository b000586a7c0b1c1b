"""Two keepers and four onlookers on one database for an accelerated night.

python tests/soak/crowd.py [--hours 8] [--scale 60] [--keep]
"""

import argparse
import json
import subprocess
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import results
from audit import audit
from rig import HERE, Rig, started, wait_for

from benchlog.store.reader import Reader


def onlooker(rig, run_id):
    return started(
        [sys.executable, str(HERE / "onlooker.py"), str(rig.database), str(run_id)],
        env=rig.environment(),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )


def crowd(folder, hours, scale):
    """Run it; return (audits by keeper, what onlookers said, integrity)."""
    database = folder / "shared.db"
    rigs = [
        Rig(folder / name, scale=scale, gate_s=1.0, database=database)
        for name in ("first", "second")
    ]
    onlookers = []
    try:
        for number, rig in enumerate(rigs, 1):
            rig.start_bench(number)
            rig.start_keeper(hours * 3600)
        with Reader.open(database) as reader:
            wait_for(lambda: len(reader.runs()) == 2)
            wait_for(lambda: all(run.readings for run in reader.runs()))
            run_ids = sorted(run.id for run in reader.runs())
        onlookers = [onlooker(rigs[0], run_ids[n % 2]) for n in range(4)]
        for rig in rigs:
            rig.keeper.wait(hours * 3600 / scale + 120)
    finally:
        said = [json.loads(o.communicate(timeout=60)[0]) for o in onlookers]
        for rig in rigs:
            rig.stop()
    found = []
    with Reader.open(database) as reader:
        for rig, run_id in zip(rigs, run_ids, strict=True):
            acknowledged = rig.orders / "acknowledged.jsonl"
            found.append(audit(reader, run_id, rig.truth, acknowledged, scale))
            assert reader.run(run_id).ended_how == "time reached"
    check = (
        "import sqlite3,sys; c=sqlite3.connect(sys.argv[1]);"
        "print(c.execute('pragma integrity_check').fetchone()[0])"
    )
    words = [sys.executable, "-c", check, str(database)]
    integrity = subprocess.run(words, capture_output=True, text=True, check=False)
    return found, said, integrity.stdout.strip()


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--hours", type=float, default=8.0)
    parser.add_argument("--scale", type=float, default=60.0)
    parser.add_argument("--keep", action="store_true")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="soak-crowd-") as folder:
        found, said, integrity = crowd(Path(folder), given.hours, given.scale)
    body = [
        (f"keeper {n}", f"{f.readings:,}", str(len(f.lost)),
         str(sum(map(len, f.bad.values()))), str(len(f.unexplained)))
        for n, f in enumerate(found, 1)
    ]  # fmt: skip
    body += [
        (
            f"onlooker {n}",
            f"{s['readings']:,}",
            "-",
            str(s["failed"] + s["shrunk"]),
            "-",
        )
        for n, s in enumerate(said, 1)
    ]
    note = (
        f"{given.hours:g} h at {given.scale:g} times the speed; onlookers read ten "
        f"times a second ({sum(s['ticks'] for s in said):,} rounds in all). "
        f"integrity_check: {integrity}."
    )
    head = ("who", "readings", "lost", "wrong, or errors", "gaps without an event")
    results.report("Two keepers, four onlookers", head, body, note, keep=given.keep)
    fine = not any(f.lost or f.bad for f in found)
    fine = fine and not any(s["failed"] or s["shrunk"] for s in said)
    print([s["errors"] for s in said if s["errors"]], file=sys.stderr)
    return 0 if fine and integrity == "ok" else 1


if __name__ == "__main__":
    sys.exit(main())
