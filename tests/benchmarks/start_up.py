"""What starting costs: whole commands about a short run, beside what figures need.

    PYTHONPATH=tests python tests/benchmarks/start_up.py [--before PYTHON]

The peer is `python -c "import numpy, scipy.special"`, in turns with the commands. Least
processor time of many rounds: other work on the machine only adds to it.
"""

import argparse
import os
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from tempfile import TemporaryDirectory

from benchmarks.in_and_out import PROGRAM, spent, text_file

ROUNDS = 15
PEER = ["-c", "import numpy, scipy.special"]
TARGETS = {"runs": 0.65, "show 1": 1.3, "stability 1": 1.3, "export 1 --out -": None}
"""Most of a command, in peers: 1.3 of them are 0.40 s where 0.65 are 0.20 s."""


def least_cpu_s(pythons: Mapping[str, str]) -> dict[tuple[str, str], float]:
    """Return the least processor time, s, by what was run and who ran it."""
    least: dict[tuple[str, str], float] = {}
    with TemporaryDirectory() as place:
        kept = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
        own = {**kept, "BENCHLOG_DB": f"{place}/short.db", "PYTHONPYCACHEPREFIX": place}
        text_file(Path(place) / "a.csv", 400)
        given = ["import", f"{place}/a.csv", "--nominal-hz", "16e6"]
        quiet = subprocess.DEVNULL
        subprocess.run(
            [sys.executable, *PROGRAM, *given], check=True, env=own, stderr=quiet
        )
        for number in range(ROUNDS + 1):
            for who, python in pythons.items():
                cases = {one: [*PROGRAM, *one.split()] for one in TARGETS}
                for what, words in {"peer": PEER, **cases}.items():
                    cpu_s = spent(python, *words, env=own).cpu_s
                    if number:  # the first compiles
                        least[what, who] = min(cpu_s, least.get((what, who), cpu_s))
    return least


def main() -> None:
    """Measure and print a table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--before", metavar="PYTHON")
    wished = parser.parse_args()
    pythons = {"now": sys.executable}
    if wished.before:
        pythons["before"] = wished.before
    least = least_cpu_s(pythons)
    print("| command | " + " | ".join(f"CPU s {who} | ratio" for who in pythons) + " |")
    print("|---" * (1 + 2 * len(pythons)) + "|")
    for what in ("peer", *TARGETS):
        cells = [
            f"{least[what, who]:.3f} | {least[what, who] / least['peer', who]:.2f}"
            for who in pythons
        ]
        print(f"| `{what}` | " + " | ".join(cells) + " |")
    print(f"\nLoad {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores.")


if __name__ == "__main__":
    main()
