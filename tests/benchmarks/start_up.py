"""What starting costs: whole commands about a short run, beside what figures need.

    PYTHONPATH=tests python tests/benchmarks/start_up.py [--before PYTHON]

The peer is `python -c "import numpy, scipy.special"`, in turns with the commands. Least
processor time of five: other work on the machine only adds to it.
"""

import argparse
import os
import subprocess
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

from benchmarks.in_and_out import spent, text_file

ROUNDS = 5
PEER = ["-c", "import numpy, scipy.special"]
PROGRAM = ["-c", "from benchlog.cli import main; main()"]
COMMANDS = ("runs", "show 1", "stability 1", "export 1 --out -")


def main() -> None:
    """Measure and print a table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--before", metavar="PYTHON")
    wished = parser.parse_args()
    pythons = {"now": sys.executable}
    if wished.before:
        pythons["before"] = wished.before
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)  # compiled once, as installed
    least: dict[tuple[str, str], float] = {}
    with TemporaryDirectory() as place:
        os.environ["BENCHLOG_DB"] = str(Path(place) / "short.db")
        os.environ["PYTHONPYCACHEPREFIX"] = place
        text_file(Path(place) / "a.csv", 400)
        given = ["import", str(Path(place) / "a.csv"), "--nominal-hz", "16e6"]
        subprocess.run([sys.executable, *PROGRAM, *given], check=True)
        for _ in range(ROUNDS + 1):  # the first compiles
            for who, python in pythons.items():
                cases = {one: [*PROGRAM, *one.split()] for one in COMMANDS}
                for what, words in {"peer": PEER, **cases}.items():
                    cpu_s = spent(python, *words).cpu_s
                    least[what, who] = min(cpu_s, least.get((what, who), cpu_s))
    print("| command | " + " | ".join(f"CPU s {who} | ratio" for who in pythons) + " |")
    print("|---" * (1 + 2 * len(pythons)) + "|")
    for what in ("peer", *COMMANDS):
        cells = [
            f"{least[what, who]:.3f} | {least[what, who] / least['peer', who]:.2f}"
            for who in pythons
        ]
        print(f"| `{what}` | " + " | ".join(cells) + " |")
    print(f"\nLoad {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores.")


if __name__ == "__main__":
    main()
