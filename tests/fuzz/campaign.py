"""All doors, or those named, for so many seconds each, side by side; prints a table.

    python tests/fuzz/campaign.py SECONDS [DOOR ...] [--jobs N] [--seed N]

Each door runs in a process of its own, with a new seed unless one is given. What failed
is kept in tests/fuzz/corpus/DOOR/. The exit code is 1 if anything failed.
"""

import argparse
import contextlib
import io
import sys
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from fuzz.loop import Tally, doors, fuzz, replay, seed_of


def main() -> int:
    words = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    words.add_argument("seconds", type=float)
    words.add_argument("doors", nargs="*", metavar="DOOR")
    words.add_argument("--jobs", type=int, default=1)
    words.add_argument("--seed", default="new")
    said = words.parse_args()
    chosen = said.doors or sorted(doors())
    print("door | seed | inputs | taken | ways to refuse | slowest, s | failed")
    print("--- | ---: | ---: | ---: | ---: | ---: | ---:", flush=True)
    with ProcessPoolExecutor(said.jobs, max_tasks_per_child=1) as pool:
        jobs = [pool.submit(one, name, said.seconds, said.seed) for name in chosen]
        found = [row_of(job.result()) for job in as_completed(jobs)]
    print(f"all | | {sum(t.inputs for t in found):,} | | | | ", end="")
    print(sum(len(t.failed) for t in found))
    for t in found:
        print(f"\n{t.door}: slowest {t.slowest[:200]!r} ({len(t.slowest):,} octets)")
    for t in found:
        for kind, told in t.failed.items():
            print(f"\n{t.door}: {kind}: {told}")
    return int(any(t.failed for t in found))


def row_of(t: Tally) -> Tally:
    """Print a door's row as soon as it is done: what comes after it may go wrong."""
    print(
        f"{t.door} | {t.seed} | {t.inputs:,} | {t.taken:,} | {len(t.ways)} | "
        f"{t.slowest_s:.3f} | {len(t.failed)}",
        flush=True,
    )
    return t


def one(name: str, seconds: float, said: str) -> Tally:
    """Replay and fuzz one door, quietly."""
    with contextlib.redirect_stdout(io.StringIO()), doors()[name]() as door:
        again = replay(door)
        tally = fuzz(door, seconds, seed_of(said))
    tally.failed.update(again.failed)
    return tally


if __name__ == "__main__":
    sys.exit(main())
