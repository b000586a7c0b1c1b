"""How time, memory and bytes grow with the length of a run, in whole processes.

    PYTHONPATH=tests python tests/benchmarks/growth.py [--to 1000000] [--rounds 3]
        [--keep]

Runs of 1,000 readings, ten times as many, and so on, are recorded (`recording.py`),
reading by reading up to a million and in blocks as from a counter that streams,
looked at, exported and copied. Least processor time of some rounds; other work on the
machine only adds to it. This process imports little: a child's peak of memory is never
less than what its parent had.
"""

import argparse
import math
import os
import sys
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import NamedTuple

from benchmarks.in_and_out import PROGRAM, Spent, spent

KEPT = Path(__file__).with_name("GROWTH.md")
RECORDING = Path(__file__).with_name("recording.py")
MADE_BY = "PYTHONPATH=tests python tests/benchmarks/growth.py --to"
FIRST = 1_000
LONGEST_ROUNDS = 1_000_000  # longer runs are measured once
ONE_BY_ONE = 1_000_000  # longer runs are recorded in blocks alone: 100 us a reading
FLAT_MB = 8.0  # what a process may differ by from start to start
HELD = """What memory is held for: `stability` holds float arrays of the whole run, 24
octets a reading; a page holds time, offset and ambient of each reading until they are
drawn, and its stability after that: 40 octets at most. `record` and `show` hold the
newest phases of each octave of averaging times, 1.3 MB an octave beyond 65,536
readings, for all readings, for those without outliers, and for both at the reference
temperature where readings lie outside its band: memory grows as log n. An export to
Parquet holds a row group of 200,000 readings, the other exports 16,384 readings."""
CASES = {
    "show": ("show", "1"),
    "stability": ("stability", "1"),
    "page": ("report", "1", "--out", "OUT.html"),
    "export csv": ("export", "1", "--out", "OUT.csv"),
    "export parquet": ("export", "1", "--format", "parquet", "--out", "OUT.parquet"),
    "backup": ("backup", "OUT.db"),
    "merge": ("merge", "DB", "--db", "OUT.db"),
}


class Cost(NamedTuple):
    """Of one operation on one run: s of processor time, MB at most, bytes made."""

    cpu_s: float
    peak_mb: float
    made: int


def costs(folder: Path, count: int, rounds: int) -> Iterator[tuple[str, Cost]]:
    """Do everything with one length of run; yield what each operation took."""
    database = folder / f"{count}.db"
    words = [sys.executable, str(RECORDING), str(database), str(count)]
    if count <= ONE_BY_ONE:
        yield "record", cost_of([spent(*words)], size_of(database))
        remove(database)
    taken = [spent(*words, "streamed")]
    yield "record, streamed", cost_of(taken, size_of(database))
    for name, words in CASES.items():
        taken, made = [], 0
        for _ in range(rounds):
            out = str(folder / "out")
            given = [one.replace("OUT", out) for one in words]
            given = [str(database) if one == "DB" else one for one in given]
            if "--db" not in given:
                given += ["--db", str(database)]
            taken.append(spent(sys.executable, *PROGRAM, *given))
            files = list(folder.glob("out*"))
            made = sum(file.stat().st_size for file in files)
            for file in files:
                file.unlink()
        yield name, cost_of(taken, made)
    remove(database)


def cost_of(taken: list[Spent], made: int) -> Cost:
    """Return the least of some rounds."""
    least_s = min(one.cpu_s for one in taken)
    return Cost(least_s, min(one.peak_mb for one in taken), made)


def remove(database: Path) -> None:
    """Remove a database with its log."""
    for file in database.parent.glob(f"{database.name}*"):
        file.unlink()


def size_of(database: Path) -> int:
    """Return the bytes of a database with its log."""
    return sum(one.stat().st_size for one in database.parent.glob(f"{database.name}*"))


def exponent(counts: list[int], values: list[float], least: float) -> str:
    """Return the exponent over the last decade, what a start takes taken off.

    `least`: a growth that is less than that is flat.
    """
    if len(values) < 2:
        return "-"
    grown = [value - values[0] for value in values[-2:]]
    if grown[1] < least:
        return "flat"
    if len(values) < 3 or grown[0] <= 0:
        return "-"
    return f"{math.log(grown[1] / grown[0]) / math.log(counts[-1] / counts[-2]):.2f}"


def table(found: dict[int, dict[str, Cost]]) -> list[str]:
    """Return the lines of a table in Markdown: an operation, then a line a length."""
    counts = list(found)
    lines = [
        "| what | readings | CPU s | us a reading | MB | bytes a reading |",
        "|---|---|---|---|---|---|",
    ]
    ends = [
        "| what | exponent of time | of memory | of bytes |",
        "|---|---|---|---|",
    ]
    for name in found[FIRST]:
        there = [count for count in counts if name in found[count]]
        each = [found[count][name] for count in there]
        for count, one in zip(there, each, strict=True):
            lines.append(
                f"| {name} | {count:,} | {one.cpu_s:.2f} "
                f"| {1e6 * one.cpu_s / count:.2f} | {one.peak_mb:.0f} "
                f"| {one.made / count:.1f} |"
            )
        time = exponent(there, [one.cpu_s for one in each], 0.05)
        memory = exponent(there, [one.peak_mb for one in each], FLAT_MB)
        made = exponent(there, [float(one.made) for one in each], 50_000)
        ends.append(f"| {name} | {time} | {memory} | {made} |")
    return [*ends, "", *lines]


def main() -> None:
    """Measure, print and, where that is wished, keep the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--to", type=int, default=1_000_000)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--keep", action="store_true")
    wished = parser.parse_args()
    found: dict[int, dict[str, Cost]] = {}
    with TemporaryDirectory() as place:
        count = FIRST
        while count <= wished.to:
            rounds = wished.rounds if count < LONGEST_ROUNDS else 1
            found[count] = {}
            for name, cost in costs(Path(place), count, rounds):
                found[count][name] = cost
                print(f"{count:,} {name}: {cost}", file=sys.stderr, flush=True)
            count *= 10
    told = (
        "Exponents are over the last decade, with what a run of 1,000 readings takes "
        f"taken off; flat: less than {FLAT_MB:.0f} MB, 0.05 s or 50 kB more. Least of "
        f"{wished.rounds} rounds below a million readings, once from there on. "
        f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}."
    )
    lines = table(found)
    print("\n".join([*lines, "", told]))
    if wished.keep:
        head = f"# How costs grow with a run\n\nMade by `{MADE_BY} {wished.to} --keep`."
        text = "\n".join([head, "", *lines, "", told, "", HELD, ""])
        KEPT.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
