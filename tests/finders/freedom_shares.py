"""Find how much freedom the octaves and the slope of a run count with, from scratch.

Model, criterion and figure are those of ladder.py: the points by which the shares of
intervals that hold miss the aim of tests/analysis/coverage.md. That the aim settled
these two as well is reconstructed.
Grid: share of the octaves' freedom 0.3 to 1, freedom of the slope 0.2 to 1.4, together.
2 minutes.

    python tests/finders/freedom_shares.py [--runs N] [--seed S]
"""

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from ladder import WITHIN, cells, points_beyond

SHARES = (0.3, 0.45, 0.6, 0.8, 1.0)
SLOPES = (0.2, 0.35, 0.5, 0.7, 1.0, 1.4)


def main(arguments=None):
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args(arguments)
    made = cells(asked.runs, asked.seed)
    print("points beyond the aim, all cells; down: of octaves, across: of the slope")
    print("      " + "".join(f"{one:8g}" for one in SLOPES))
    found = {}
    for share in SHARES:
        row = [
            points_beyond(made, share_of_freedom=share, slope_freedom=slope)
            for slope in SLOPES
        ]
        found.update({(share, a): b for a, b in zip(SLOPES, row, strict=True)})
        print(f"{share:6g}" + "".join(f"{one:8.2f}" for one in row))
    best = min(found, key=found.get)
    near = [at for at, one in found.items() if one <= found[best] + WITHIN]
    print(f"within {WITHIN:g} points of the least: {near}")
    print("found: share {:g}, slope {:g}".format(*best))
    return best


if __name__ == "__main__":
    main()
