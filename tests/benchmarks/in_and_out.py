"""Readings a second into the database and out of it, as whole processes.

    PYTHONPATH=tests python tests/benchmarks/in_and_out.py [--readings 1000000]
        [--rounds 3] [--before PYTHON] [--keep]

Each round runs every case in turn: a bare script as the peer, this version, and the one
that PYTHON has, where one is given. Rates are by processor time, which other work on
the machine hardly changes; the peer has the same burden in the same round.
"""

import argparse
import os
import statistics
import subprocess
import sys
from collections import defaultdict
from collections.abc import Iterator, Mapping
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import NamedTuple

from seeds import seeded_random

KEPT = Path(__file__).with_name("IN_AND_OUT.md")
MADE_BY = """`PYTHONPATH=tests python tests/benchmarks/in_and_out.py [--before PYTHON]
--keep`.
"""
SEED = 18
TARGETS = {"import": 300_000, "csv": 600_000, "jsonl": 400_000}
BARE_IMPORT = """
import csv, sqlite3, sys
made = sqlite3.connect(sys.argv[2])
made.execute("create table r (id integer primary key, t real, hz real, c real)")
with open(sys.argv[1]) as file:
    rows = csv.reader(file)
    next(rows)
    made.executemany("insert into r (t, hz, c) values (?, ?, ?)",
                     ((float(t), float(hz), float(c)) for t, hz, c in rows))
made.commit()
"""
BARE_CSV = """
import csv, sqlite3, sys
rows = sqlite3.connect(sys.argv[1]).execute("select * from readings order by id")
with open(sys.argv[2], "w") as file:
    csv.writer(file).writerows(rows)
"""
BARE_JSONL = """
import json, sqlite3, sys
rows = sqlite3.connect(sys.argv[1]).execute("select * from readings order by id")
names = [one[0] for one in rows.description]
with open(sys.argv[2], "w") as file:
    for row in rows:
        file.write(json.dumps(dict(zip(names, row))) + "\\n")
"""


PROGRAM = ["-P", "-c", "from benchlog.cli import main; main()"]
"""`-P`: the benchlog that this Python has, and not the one in the working folder."""


class Spent(NamedTuple):
    """What a process took: s of processor time, s by the wall, MB at most."""

    cpu_s: float
    wall_s: float
    peak_mb: float


def spent(*command: str, env: Mapping[str, str] | None = None) -> Spent:
    """Run a command and return what it took. Raises CalledProcessError."""
    before = os.times()
    process = subprocess.Popen(
        command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, env=env
    )
    assert process.stderr is not None
    with process.stderr:
        told = process.stderr.read()
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise subprocess.CalledProcessError(process.returncode, command, stderr=told)
    wall_s = os.times().elapsed - before.elapsed
    return Spent(used.ru_utime + used.ru_stime, wall_s, used.ru_maxrss / 1024)


def text_file(path: Path, readings: int) -> None:
    """Write readings as plain columns: time, frequency, ambient temperature."""
    drawn = seeded_random(SEED)
    with path.open("w") as file:
        file.write("t_s,frequency_hz,temp_c\n")
        for at in range(readings):
            hertz = 16e6 * (1 + 1e-7 * drawn.gauss(0, 1))
            file.write(f"{at / 10:.1f},{hertz:.4f},{25 + drawn.random():.2f}\n")


def round_of(
    folder: Path, source: Path, pythons: dict[str, str]
) -> Iterator[tuple[str, str, Spent]]:
    """Run every case once; yield what was done, by whom, and what it took."""
    bare, out = folder / "bare.db", folder / "out"
    run = [sys.executable, "-c"]
    yield "import", "bare script", spent(*run, BARE_IMPORT, str(source), str(bare))
    bare.unlink()
    for who, python in pythons.items():
        database = folder / f"{len(who)}.db"
        program = [python, *PROGRAM]
        where = ["--db", str(database)]
        given = ["import", str(source), "--nominal-hz", "16e6", *where]
        yield "import", who, spent(*program, *given)
        for form, script in (("csv", BARE_CSV), ("jsonl", BARE_JSONL)):
            if who == "benchlog":
                yield form, "bare script", spent(*run, script, str(database), str(out))
            given = ["export", "1", "--format", form, "--out", str(out), "--overwrite"]
            yield form, who, spent(*program, *given, *where)
        for path in folder.glob(f"{database.name}*"):
            path.unlink()


def table(found: dict[tuple[str, str], list[Spent]], readings: int) -> list[str]:
    """Return the lines of a table in Markdown."""
    lines = [
        "| what | by | readings/s | CPU s | wall s | CPU / peer | MB | target |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for (what, who), each in found.items():
        cpu_s, wall_s, peak_mb = map(statistics.median, zip(*each, strict=True))
        pairs = zip(each, found[what, "bare script"], strict=True)
        ratio = statistics.median(one.cpu_s / peer.cpu_s for one, peer in pairs)
        target = f"{TARGETS[what]:,}" if who == "benchlog" else ""
        lines.append(
            f"| {what} | {who} | {readings / cpu_s:,.0f} | {cpu_s:.2f} | {wall_s:.2f} "
            f"| {ratio:.2f} | {peak_mb:.0f} | {target} |"
        )
    return lines


def main() -> None:
    """Measure, print and, where that is wished, keep the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--readings", type=int, default=1_000_000)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--before", metavar="PYTHON")
    parser.add_argument("--keep", action="store_true")
    wished = parser.parse_args()
    pythons = {"benchlog": sys.executable}
    if wished.before:
        pythons["benchlog before"] = wished.before
    parts = []
    for readings in (wished.readings // 5, wished.readings):
        found: defaultdict[tuple[str, str], list[Spent]] = defaultdict(list)
        with TemporaryDirectory() as place:
            source = Path(place) / "plain.csv"
            text_file(source, readings)
            for turn in range(wished.rounds + (wished.rounds > 1)):
                for what, who, one in round_of(Path(place), source, pythons):
                    if turn or wished.rounds == 1:  # the first fills caches
                        found[what, who].append(one)
        lines = table(dict(sorted(found.items())), readings)
        parts.append("\n".join([f"## {readings:,} readings", "", *lines, ""]))
        print(parts[-1], flush=True)
    told = (
        f"Medians of {wished.rounds} rounds, seed {SEED}; rates by processor time; "
        f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}.\n"
    )
    print(told)
    if wished.keep:
        head = "# Into the database and out of it\n\nMade by " + MADE_BY
        KEPT.write_text("\n".join([head, *parts, told]), encoding="utf-8")


if __name__ == "__main__":
    main()
