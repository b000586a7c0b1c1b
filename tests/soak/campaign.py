"""The fault campaign: hundreds of faults in one accelerated soak, then the audit.

    python tests/soak/campaign.py [--faults 500] [--hours 12] [--scale 20]
        [--seed N ...] [--jobs 1] [--into FILE] [--stop-when-done] [--keep]

Real processes and sockets, a simulated bench, a database on a small disk of its own
where that can be mounted (else a folder, and `disk full` is left out); in the middle of
a whole night summer time begins. With several seeds there is a soak of so many faults
for each, so many side by side. What came of each is a line of FILE, and its folder is
beside it where something is wrong; seeds that are in there are not begun again, and the
table is of all lines. `--keep` writes it into RESULTS.md beside this file.
"""

import argparse
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import traceback
from collections import Counter, defaultdict
from concurrent.futures import ProcessPoolExecutor, as_completed
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, field
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
"""Readings come again by then, on a computer that has more to do; how long it took at
most is in the table."""
TOLD_S = 20.0
"""Longer than a driver takes to fill the memory it may have."""
RECOVERY_S = 2.2
"""What a fault takes on average until readings come again."""
COUNTED = (
    *("acknowledged", "readings", "lost", "doubled", "unknown", "wrong"),
    *("wrong_ambient", "refused", "at_the_end", "gaps", "unexplained", "unmarked"),
)
"""What is added up of the findings of all soaks."""


@dataclass
class Row:
    """What one kind of fault did."""

    injected: int = 0
    survived: int = 0
    told: int = 0
    lost: int = 0
    on_the_line: int = 0
    recovery_s: float = 0.0


@dataclass
class Outcome:
    """What one soak led to. `wrong` must be empty: what must not be, by name."""

    seed: int
    faults: int
    scale: float
    rows: dict[str, Row]
    counts: dict[str, int]
    causes: dict[str, int]
    ended: str
    wrong: dict[str, list] = field(default_factory=dict)


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
                return took_s if _go_on(rig) else None
            host_sleep(0.1)
    return took_s


def _go_on(rig):
    """Wait until readings come after what was told; whether they did.

    A process that has leaked is ended only then: the next fault would meet nobody.
    """
    count, limit = rig.count(), host_deadline(SURVIVED_S)
    while rig.count() <= count:
        if limit.passed or rig.keeper.poll() is not None:
            return False
        host_sleep(0.1)
    return True


def campaign(folder, *, faults, hours, scale, seed, stop_when_done=False):
    """Carry out one soak with so many faults; return what it led to."""
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
        left = rig.left_over()
        if disk is not None:
            shutil.copy(rig.database, folder)
    (folder / "spans.json").write_text(json.dumps(spans))
    _attribute(rows, spans, found)
    _count_told(rows, spans, events, scale)
    if not stop_when_done:
        changes = sum(event.kind == "local-time" for event in events)
        rows["summer time begins"] = Row(1, 1, int(changes == 1))
    wrong = {
        **found.bad,
        "lost": found.lost,
        "left over": left,
        "too late for the end": found.at_the_end[1:],
        "no readings came again": [
            k for k, r in rows.items() if r.survived < r.injected
        ],
        "not told": [f"{k}: {n}" for k, n in untold(rows).items()],
        "never injected": kinds[len(spans) :],
    }
    return Outcome(
        seed=seed,
        faults=len(spans),
        scale=scale,
        rows=dict(rows),
        counts={name: _number(getattr(found, name)) for name in COUNTED},
        causes=dict(found.causes),
        ended=run.ended_how,
        wrong={name: listed for name, listed in wrong.items() if listed},
    )


def _number(found):
    return found if isinstance(found, int) else len(found)


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


def together(several):
    """Add the rows, counts and causes of several soaks up."""
    rows, counts, causes = defaultdict(Row), Counter(), Counter()
    for one in several:
        counts.update(one.counts)
        causes.update(one.causes)
        for kind, row in one.rows.items():
            all_of = rows[kind]
            for name in ("injected", "survived", "told", "lost", "on_the_line"):
                setattr(all_of, name, getattr(all_of, name) + getattr(row, name))
            all_of.recovery_s = max(all_of.recovery_s, row.recovery_s)
    return rows, counts, causes


def summary(several):
    """Return what the audits of all soaks say, in lines."""
    _, n, causes = together(several)
    common = ", ".join(f"{kind} {times}" for kind, times in causes.most_common(12))
    left = sum(len(one.wrong.get("left over", ())) for one in several)
    ended = ", ".join(sorted({one.ended for one in several}))
    seeds = ", ".join(str(one.seed) for one in several)
    faults = sum(one.faults for one in several)
    scales = ", ".join(f"{scale:g}" for scale in sorted({o.scale for o in several}))
    return (
        f"{faults:,} faults in {len(several)} soaks at "
        f"{scales} times the speed, seeds {seeds}. "
        f"{n['acknowledged']:,} values acknowledged by the driver, {n['readings']:,} "
        f"readings in the databases; lost {n['lost']}, twice {n['doubled']}, "
        f"of unknown origin {n['unknown']}, wrong {n['wrong']}, with an "
        f"ambient value that was none {n['wrong_ambient']}; refused with an "
        f"event {n['refused']}, too late for the end {n['at_the_end']}; "
        f"{n['gaps']:,} gaps, {n['unexplained']} without an event of their own, "
        f"{n['unmarked']} holes without a mark; files and processes left over {left}. "
        f"The runs ended: {ended}. Causes: {common}."
    )


def outcomes(path):
    """Return the outcomes that are kept in a file."""
    if path is None or not path.exists():
        return []
    several = [Outcome(**json.loads(line)) for line in path.read_text().splitlines()]
    for one in several:
        one.rows = {kind: Row(**row) for kind, row in one.rows.items()}
    return several


def one_soak(given, seed):
    """Carry out a soak in a folder of its own; add what came of it to the file."""
    how = {"faults": given.faults, "hours": given.hours, "scale": given.scale}
    how["stop_when_done"] = given.stop_when_done
    try:
        if given.folder is not None:
            found = campaign(given.folder, seed=seed, **how)
        else:
            with tempfile.TemporaryDirectory(prefix=f"soak-{seed}-") as made:
                found = campaign(Path(made), seed=seed, **how)
                if given.into is not None and found.wrong:
                    shutil.copytree(made, given.into.with_name(f"soak-{seed}"))
    except Exception:  # the other soaks go on; this one is told, and counted as bad
        traceback.print_exc()
        return None
    if given.into is not None:
        with given.into.open("a") as out:
            out.write(json.dumps(asdict(found), default=str) + "\n")
    return found


def all_soaks(given, done):
    """Carry out those that are not done, add them; return how many came to nothing."""
    known = {one.seed for one in done}
    broken = 0
    pool = ProcessPoolExecutor(given.jobs)
    jobs = [pool.submit(one_soak, given, s) for s in given.seed if s not in known]
    try:
        for job in as_completed(jobs):
            found = job.result()
            if found is None:
                broken += 1
            else:
                done.append(found)
    except KeyboardInterrupt:  # what is done is reported; a line says what is not
        print(f"broken off, {len(done)} of {len(jobs)} done", file=sys.stderr)
    finally:
        pool.shutdown(cancel_futures=True)
    return broken


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--faults", type=int, default=500, help="in each soak")
    parser.add_argument("--hours", type=float, default=12.0)
    parser.add_argument("--scale", type=float, default=20.0)
    parser.add_argument("--seed", type=int, nargs="+", default=[20261125])
    parser.add_argument("--jobs", type=int, default=1, help="soaks side by side")
    parser.add_argument("--into", type=Path, help="keeps what came of each soak")
    parser.add_argument("--keep", action="store_true")
    parser.add_argument("--stop-when-done", action="store_true", help="no full night")
    parser.add_argument("--folder", type=Path, help="where one soak leaves everything")
    given = parser.parse_args()
    several = outcomes(given.into)
    signal.signal(signal.SIGINT, signal.default_int_handler)  # in the background, too
    broken = all_soaks(given, several)
    if not several:
        return 1
    several.sort(key=lambda one: one.seed)
    rows, _, _ = together(several)
    results.report("Fault campaign", *table(rows), summary(several), keep=given.keep)
    for one in several:
        for name, listed in one.wrong.items():
            print(f"seed {one.seed}: {name}", listed[:20], file=sys.stderr)
    return int(broken > 0 or any(one.wrong for one in several))


if __name__ == "__main__":
    with suppress(BrokenPipeError):
        sys.exit(main())
    os._exit(1)
