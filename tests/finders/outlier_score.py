"""Find the score of the outlier rule from scratch.

Model: clean runs of 1,000 readings of white FM, flicker FM and random-walk FM, with no
outlier among them, and no floor.
Criterion: the smallest whole score at which at most 1 % of the runs of each noise have
a marked reading. The criterion of the original choice is not recorded; this one is the
finder's own.
Grid: 3 to 80 by 1, until one is found. Under a minute.

    python tests/finders/outlier_score.py [--runs N] [--seed S]
"""

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from noise_makers import make
from seeds import seeded_generator

from benchlog.analysis.outliers import marked

NOISES = ("white FM", "flicker FM", "random-walk FM")
READINGS = 1000
SCORES = range(3, 81)
MOST = 0.01


def main(arguments=None):
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args(arguments)
    rng = seeded_generator(asked.seed)
    runs = {kind: make(kind, rng, asked.runs, READINGS) for kind in NOISES}
    print("share of clean runs with a marked reading")
    print(" score" + "".join(f"{kind:>16}" for kind in NOISES))
    found = None
    for score in SCORES:
        share = [
            np.mean([marked(y, 0.0, score).any() for y in runs[kind]])
            for kind in NOISES
        ]
        print(f"{score:6d}" + "".join(f"{100 * one:14.1f} %" for one in share))
        if max(share) <= MOST:
            found = float(score)
            break
    print(f"found: score {found:g}" if found else "found: none on the grid")
    return found


if __name__ == "__main__":
    main()
