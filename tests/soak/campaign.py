"""The fault campaign: hundreds of faults in one accelerated soak, then the audit.

    python tests/soak/campaign.py [--faults 500] [--hours 12] [--scale 30] [--seed N]

Real processes and sockets, a simulated bench, a database on a small disk of its own
where that can be mounted (else a folder, and `disk full` is left out). Prints the
table; `--keep` writes it into RESULTS.md beside this file.
"""

import argparse
import os
import random
import subprocess
import sys
import tempfile
from collections import defaultdict
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import disturb
import results
from audit import audit
from rig import Rig

from benchlog.clock import HostClock, host_deadline, host_sleep

DISK = "48m"
SURVIVED_S = 45.0
RECOVERY_S = 2.2
"""What a fault takes on average until readings come again."""


@dataclass
class Row:
    """What one kind of fault did."""

    injected: int = 0
    survived: int = 0
    lost: int = 0
    on_the_line: int = 0
    recovery_s: float = 0.0


@contextmanager
def small_disk(folder):
    """Yield a folder on a disk of its own, None where none can be mounted."""
    folder.mkdir(parents=True, exist_ok=True)
    words = ["mount", "-t", "tmpfs", "-o", f"size={DISK}", "tmpfs", str(folder)]
    done = subprocess.run(words, capture_output=True, check=False)
    if done.returncode:
        yield None
        return
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=False)


def disturbed(rig, kind, rng):
    """Carry out one fault; return the seconds until readings came again, or None."""
    before = rig.count()
    limit = host_deadline(SURVIVED_S)
    began_ns = HostClock().mono_ns()
    disturb.KINDS[kind][1](rig, rng)
    seen = rig.count()
    host_sleep(0.3)
    while rig.count() <= max(before, seen):
        if limit.passed or rig.keeper.poll() is not None:
            return None
        host_sleep(0.1)
    return (HostClock().mono_ns() - began_ns) / 1e9


def campaign(folder, *, faults, hours, scale, seed, stop_when_done=False):
    """Run it; return (rows by kind, findings, the run, whether all were injected)."""
    rng = random.Random(seed)
    with small_disk(folder / "disk") as disk:
        rig = Rig(
            folder, scale=scale, gate_s=4.0, database=(disk or folder) / "soak.db"
        )
        kinds = disturb.schedule(rng, faults)
        if disk is None:
            kinds = [kind for kind in kinds if kind != "disk full"]
        try:
            rig.start_bench(seed)
            rig.start_keeper(hours * 3600)
            rows, spans = _all_faults(
                rig, kinds, rng, hours * 3600 / scale, stop_when_done
            )
            if stop_when_done:
                rig.keeper.terminate()
            rig.keeper.wait(hours * 3600 / scale + 120)
        finally:
            rig.stop()
        with rig.reader() as reader:
            run = reader.latest_run()
            acknowledged = rig.orders / "acknowledged.jsonl"
            found = audit(reader, run.id, rig.truth, acknowledged, scale)
    _attribute(rows, spans, found)
    return rows, found, run, len(spans) == len(kinds)


def _all_faults(rig, kinds, rng, real_s, stop_when_done):
    rows, spans = defaultdict(Row), []
    whole = host_deadline(0.94 * real_s)
    scaled = HostClock(rig.scale)
    for number, kind in enumerate(kinds, 1):
        began_ns = scaled.mono_ns()
        took_s = disturbed(rig, kind, rng)
        rows[kind].injected += 1
        rows[kind].survived += took_s is not None
        rows[kind].recovery_s = max(rows[kind].recovery_s, took_s or 0.0)
        spans.append((began_ns, scaled.mono_ns(), kind))
        said = "nothing came" if took_s is None else f"{took_s:.1f} s"
        print(f"{number}/{len(kinds)} {kind}: {said}", file=sys.stderr, flush=True)
        if rig.keeper.poll() is not None:
            break
        left = len(kinds) - number
        if (
            left and not stop_when_done
        ):  # spread what is left over the time that is left
            host_sleep(max(0.0, whole.left_s() / left - RECOVERY_S))
    return rows, spans


def _attribute(rows, spans, found):
    """Count what was lost or never left the line under the fault of its time."""
    for moments, name in ((found.lost, "lost"), (found.untaken_ns, "on_the_line")):
        for mono_ns in moments:
            kind = next((k for a, _, k in reversed(spans) if a <= mono_ns), None)
            if kind is not None:
                setattr(rows[kind], name, getattr(rows[kind], name) + 1)


def table(rows):
    """Return the table: kind, injected, survived, readings lost."""
    body = [
        (k, str(r.injected), str(r.survived), str(r.lost), str(r.on_the_line),
         f"{r.recovery_s:.1f}")
        for k, r in sorted(rows.items())
    ]  # fmt: skip
    total = [sum(getattr(r, n) for r in rows.values())
             for n in ("injected", "survived", "lost", "on_the_line")]  # fmt: skip
    slowest = max(r.recovery_s for r in rows.values())
    body.append(("all", *map(str, total), f"{slowest:.1f}"))
    head = ("fault", "injected", "survived", "readings lost", "never left the line",
            "slowest recovery, s")  # fmt: skip
    return head, body


def summary(found, run):
    """Return what the audit says, in lines."""
    causes = ", ".join(f"{k} {n}" for k, n in found.causes.most_common(12))
    return (
        f"{found.acknowledged:,} values acknowledged by the driver, {found.readings:,} "
        f"readings in the database; lost {len(found.lost)}, "
        f"twice {len(found.doubled)}, "
        f"of unknown origin {len(found.unknown)}, wrong {len(found.wrong)}; "
        f"{found.gaps} gaps, {len(found.unexplained)} without an event, "
        f"{len(found.unmarked)} holes without a mark; the run ended: {run.ended_how}. "
        f"Causes: {causes}."
    )


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--faults", type=int, default=500)
    parser.add_argument("--hours", type=float, default=12.0)
    parser.add_argument("--scale", type=float, default=20.0)
    parser.add_argument("--seed", type=int, default=20261125)
    parser.add_argument("--keep", action="store_true")
    parser.add_argument("--stop-when-done", action="store_true", help="no full night")
    parser.add_argument("--folder", type=Path, help="where to leave everything")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="soak-") as made:
        rows, found, run, whole = campaign(
            given.folder or Path(made),
            faults=given.faults, hours=given.hours, scale=given.scale, seed=given.seed,
            stop_when_done=given.stop_when_done,
        )  # fmt: skip
    note = (
        f"{given.faults} faults in {given.hours:g} h of bench time at {given.scale:g} "
        f"times the speed, seed {given.seed}. {summary(found, run)}"
    )
    results.report("Fault campaign", *table(rows), note, keep=given.keep)
    bad = found.doubled or found.unknown or found.wrong or found.unexplained
    for name in ("lost", "doubled", "unknown", "wrong", "unexplained", "unmarked"):
        if listed := getattr(found, name):
            print(name, listed[:20], file=sys.stderr)
    survived = whole and all(r.survived == r.injected for r in rows.values())
    return 0 if survived and not bad and not found.lost and not found.unmarked else 1


if __name__ == "__main__":
    with suppress(BrokenPipeError):
        sys.exit(main())
    os._exit(1)
