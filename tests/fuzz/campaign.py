"""All doors, or those named, for so many seconds each, side by side; prints a table.

    python tests/fuzz/campaign.py SECONDS [DOOR ...] [--jobs N] [--seed N]

Each door runs in a process of its own, with a new seed unless one is given. The rows
are those of tests/fuzz/RESULTS.md: the seconds that a door was really tried, the inputs
it was given in that time (those of its corpus are entered besides, and told apart),
and what failed. The last row has the sums. What failed is kept in
tests/fuzz/corpus/DOOR/. A door whose process ends has a row that tells so, and costs
no other. The exit code is 1 if anything failed.
"""

import argparse
import contextlib
import io
import sys
import time
import traceback
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from fuzz.loop import Tally, doors, fuzz, replay, seed_of

from benchlog.clock import HostClock

HEAD = ("date", "door", "seconds", "seed", "inputs", "of the corpus", "taken")
MORE = ("ways to refuse", "slowest, s", "failed")


@dataclass(frozen=True, slots=True, kw_only=True)
class Tried:
    """A door, how long it was tried, and what came of that.

    Parameters
    ----------
    tally : Tally
        The inputs of the search.
    kept : int
        Inputs of the corpus, entered before.
    seconds : float
        Of the search alone.
    """

    tally: Tally
    kept: int
    seconds: float

    @property
    def row(self) -> str:
        """A row of the table."""
        t = self.tally
        return row(
            *(time.strftime("%Y-%m-%d"), t.door, f"{self.seconds:,.0f}", str(t.seed)),
            *(f"{t.inputs:,}", f"{self.kept:,}", f"{t.taken:,}", str(len(t.ways))),
            *(f"{t.slowest_s:.3f}", str(len(t.failed))),
        )


def main() -> int:
    words = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    words.add_argument("seconds", type=float)
    words.add_argument("doors", nargs="*", metavar="DOOR")
    words.add_argument("--jobs", type=int, default=1)
    words.add_argument("--seed", default="new")
    said = words.parse_args()
    chosen = said.doors or sorted(doors())
    print(row(*HEAD, *MORE))
    print(row("---", "---", *("---:",) * (len(HEAD) + len(MORE) - 2)), flush=True)
    found = []
    with ThreadPoolExecutor(said.jobs) as pool:
        jobs = [pool.submit(alone, name, said.seconds, said.seed) for name in chosen]
        for job in as_completed(jobs):  # told at once: what comes after may go wrong
            found.append(job.result())
            print(found[-1].row, flush=True)
    print(sums(found))
    for t in (one.tally for one in found):
        print(f"\n{t.door}: slowest {t.slowest[:200]!r} ({len(t.slowest):,} octets)")
    for t in (one.tally for one in found):
        for kind, told in t.failed.items():
            print(f"\n{t.door}: {kind}: {told}")
    return int(any(one.tally.failed for one in found))


def row(*cells: str) -> str:
    """Return a row of a table in Markdown."""
    return f"| {' | '.join(cells)} |"


def sums(found: Sequence[Tried]) -> str:
    """Return the last row: all doors together."""
    tallies = [one.tally for one in found]
    return row(
        *(
            time.strftime("%Y-%m-%d"),
            f"all {len(found)}",
            f"{sum(t.seconds for t in found):,.0f}",
        ),
        *("", f"{sum(t.inputs for t in tallies):,}"),
        f"{sum(one.kept for one in found):,}",
        *(f"{sum(t.taken for t in tallies):,}", ""),
        f"{max((t.slowest_s for t in tallies), default=0.0):.3f}",
        str(sum(len(t.failed) for t in tallies)),
    )


def now_s() -> float:
    """Return a time of the host, in s; only differences mean something."""
    return HostClock().mono_ns() / 1e9


def alone(name: str, seconds: float, said: str) -> Tried:
    """Try a door in a process of its own; one that ends early is a failure of it."""
    began, seed = now_s(), seed_of(said)
    with ProcessPoolExecutor(1, get_context("spawn")) as process:
        try:
            return process.submit(one, name, seconds, seed).result()
        except BrokenProcessPool as error:
            tally = Tally(name, seed)
            tally.failed["its process ended"] = str(error)
            return Tried(tally=tally, kept=0, seconds=now_s() - began)


def one(name: str, seconds: float, seed: int) -> Tried:
    """Replay and fuzz one door, quietly. What the door itself raises is told, too."""
    again, tally = Tally(name, 0), Tally(name, seed)
    began = ended = now_s()
    try:
        with contextlib.redirect_stdout(io.StringIO()), doors()[name]() as door:
            again = replay(door)
            began = now_s()
            tally = fuzz(door, seconds, seed)
            ended = now_s()
    except Exception as error:
        told = "".join(traceback.format_exception(error))[-3_000:]
        tally.failed[f"{type(error).__name__} of the door itself"] = told
    tally.failed.update(again.failed)
    return Tried(tally=tally, kept=again.inputs, seconds=max(0.0, ended - began))


if __name__ == "__main__":
    sys.exit(main())
