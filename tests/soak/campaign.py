"""The fault campaign: hundreds of faults in one accelerated soak, then the audit.

    python tests/soak/campaign.py [--faults 500] [--hours 12] [--scale 30] [--seed N]

Real processes and sockets, a simulated bench, a database on a small disk of its own
where that can be mounted (else a folder, and `disk full` is left out); in the middle of
a whole night summer time begins. Prints the table; `--keep` writes it into RESULTS.md
beside this file.
"""

import argparse
import json
import os
import subprocess
import sys
import tempfile
from collections import defaultdict
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parent.parent))

import disturb
import results
from audit import LATE_S, audit
from rig import Rig
from seeds import seeded_random

from benchlog.clock import HostClock, host_deadline, host_sleep

DISK = "48m"
SURVIVED_S = 45.0
TOLD_S = 20.0
"""Longer than a driver takes to fill the memory it may have."""
RECOVERY_S = 2.2
"""What a fault takes on average until readings come again."""


@dataclass
class Row:
    """What one kind of fault did."""

    injected: int = 0
    survived: int = 0
    told: int = 0
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


def summer_time(utc_ns):
    """Return a time zone (POSIX: TZ) whose summer time begins at that moment."""
    at = datetime.fromtimestamp(utc_ns / 1e9, UTC)
    day = at.replace(year=2025).timetuple().tm_yday  # Jn knows no 29 February
    return f"SIM0SUM-1,J{day}/{at:%H:%M:%S},J{(day + 59) % 365 + 1}/2"


def disturbed(rig, kind, rng):
    """Carry out one fault; return the seconds until readings came again, or None.

    One reading may have been under way already: the second shows that it is over. What
    must be told is waited for, too: a driver that leaks gives readings for a while, and
    the fault after it would meet its end.
    """
    _, last_event = rig.told_since(0, ())
    before = rig.count()
    limit = host_deadline(SURVIVED_S)
    began_ns = HostClock().mono_ns()
    disturb.KINDS[kind][1](rig, rng)
    seen = rig.count()
    host_sleep(0.3)
    while rig.count() <= max(before, seen) + 1:
        if limit.passed or rig.keeper.poll() is not None:
            return None
        host_sleep(0.1)
    took_s = (HostClock().mono_ns() - began_ns) / 1e9
    if kind not in disturb.SOMETIMES and disturb.telling(kind):
        limit = host_deadline(TOLD_S)
        while not limit.passed:
            if rig.told_since(last_event, disturb.telling(kind))[0]:
                break
            host_sleep(0.1)
    return took_s


def campaign(folder, *, faults, hours, scale, seed, stop_when_done=False):
    """Run it; return (rows by kind, findings, the run, whether all were injected)."""
    rng = seeded_random(seed)
    with small_disk(folder / "disk") as disk:
        rig = Rig(
            folder, scale=scale, gate_s=4.0, database=(disk or folder) / "soak.db"
        )
        kinds = disturb.schedule(rng, faults)
        if disk is None:
            kinds = [kind for kind in kinds if kind != "disk full"]
        if not stop_when_done:
            half_ns = int(hours / 2 * 3600e9)
            rig.more["TZ"] = summer_time(HostClock(scale).utc_ns() + half_ns)
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
            events = [event for _, event in reader.events(run.id)]
    (folder / "spans.json").write_text(json.dumps(spans))
    _attribute(rows, spans, found)
    _count_told(rows, spans, events, scale)
    if not stop_when_done:
        changes = sum(event.kind == "local-time" for event in events)
        rows["summer time begins"] = Row(1, 1, int(changes == 1))
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


def _count_told(rows, spans, events, scale):
    """Count for each kind how often the event that must tell of it came in time."""
    late_ns = int(LATE_S * scale * 1e9)
    for place, (began_ns, over_ns, kind) in enumerate(spans):
        following = spans[place + 1][0] if place + 1 < len(spans) else over_ns
        telling = disturb.telling(kind)
        rows[kind].told += any(
            event.kind in telling and began_ns <= event.mono_ns <= following + late_ns
            for event in events
        )


def untold(rows):
    """Return the kinds of which an event must tell and did not every time."""
    kinds = [k for k in rows if disturb.telling(k) and k not in disturb.SOMETIMES]
    missing = {kind: rows[kind].injected - rows[kind].told for kind in kinds}
    return {kind: count for kind, count in missing.items() if count}


def table(rows):
    """Return the table: kind, injected, survived, told of, readings lost."""
    body = [
        (k, str(r.injected), str(r.survived),
         str(r.told) if disturb.telling(k) else "-", str(r.lost), str(r.on_the_line),
         f"{r.recovery_s:.1f}")
        for k, r in sorted(rows.items())
    ]  # fmt: skip
    names = ("injected", "survived", "told", "lost", "on_the_line")
    total = [sum(getattr(r, name) for r in rows.values()) for name in names]
    slowest = max(r.recovery_s for r in rows.values())
    body.append(("all", *map(str, total), f"{slowest:.1f}"))
    head = ("fault", "injected", "survived", "told by its event", "readings lost",
            "never left the line", "slowest recovery, s")  # fmt: skip
    return head, body


def summary(found, run):
    """Return what the audit says, in lines."""
    causes = ", ".join(f"{k} {n}" for k, n in found.causes.most_common(12))
    return (
        f"{found.acknowledged:,} values acknowledged by the driver, {found.readings:,} "
        f"readings in the database; lost {len(found.lost)}, "
        f"twice {len(found.doubled)}, "
        f"of unknown origin {len(found.unknown)}, wrong {len(found.wrong)}, with an "
        f"ambient value that was none {len(found.wrong_ambient)}; refused with an "
        f"event {len(found.refused)}, too late for the end {len(found.at_the_end)}; "
        f"{found.gaps} gaps, {len(found.unexplained)} without an event of their own, "
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
    wrong = {"lost": found.lost} if found.lost else {}
    for name, listed in {**wrong, **found.bad}.items():
        print(name, listed[:20], file=sys.stderr)
    if silent := untold(rows):
        print("not told of:", silent, file=sys.stderr)
    survived = whole and all(r.survived == r.injected for r in rows.values())
    fine = survived and not (wrong or found.bad or silent)
    return 0 if fine and len(found.at_the_end) <= 1 else 1


if __name__ == "__main__":
    with suppress(BrokenPipeError):
        sys.exit(main())
    os._exit(1)
