"""Find the ends and the step of the ladder of noise mixtures from scratch.

Model: white PM, white FM, flicker FM, random-walk FM and four mixtures of white FM with
a slower one; each run is n readings followed by n more, n = 30, 100, 300.
Criterion: the aim of tests/analysis/coverage.md, at least 92 % of the intervals of the
mean hold, at most 98 % for a single noise at n = 300. The figure is the sum over all
cells of the points beyond that aim; adding them up is the finder's own. The lengths of
10 and 1,000 and the gaps of the campaign are left out.
Grid: step 2.5, 4, 6.5; first rung 0.75, 1.5, 3, 6, 12; last rung 4, 16, 64. 2 minutes.

    python tests/finders/ladder.py [--runs N] [--seed S]
"""

import argparse
import sys
from itertools import product
from pathlib import Path

import numpy as np
from scipy.special import stdtrit

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[1] / "analysis"))

from seeds import seeded_generator
from test_coverage import MIXED, PURE, aim, evidence, frequencies

from benchlog.analysis.noise_mixture import Ladder, spread_of

LENGTHS = (30, 100, 300)
STEPS = (2.5, 4.0, 6.5)
FIRST = (0.75, 1.5, 3.0, 6.0, 12.0)
LAST = (4.0, 16.0, 64.0)
WITHIN = 0.5  # points of the sum, that the drawn runs alone may make


def cells(runs, seed):
    """Return (kind, n, evidence of the runs, how far the next mean lies)."""
    rng, made = seeded_generator(seed), []
    for kind, n in product((*PURE, *MIXED), LENGTHS):
        y = frequencies(kind, rng, runs, n)
        first = y[:, :n]
        seen = evidence(first, np.ones_like(first, dtype=bool))
        made.append((kind, n, seen, np.abs(y[:, n:].mean(axis=1) - first.mean(axis=1))))
    return made


def points_beyond(made, **choice):
    """Return by how many points the shares of all cells miss the aim, added up."""
    beyond = 0.0
    for kind, n, seen, apart in made:
        found = spread_of(seen, **choice)
        half = stdtrit(found.freedom, 0.975) * np.sqrt(2.0) * found.u
        share = float(np.mean(apart <= half))
        low, high = aim(kind, n)
        beyond += 100 * max(0.0, low - share, share - high)
    return beyond


def main(arguments=None):
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args(arguments)
    made = cells(asked.runs, asked.seed)
    print("points beyond the aim, all cells; down: step and first rung, across: last")
    print("  step first" + "".join(f"{one:8g}" for one in LAST))
    found = {}
    for step, first in product(STEPS, FIRST):
        row = [points_beyond(made, ladder=Ladder(step, first, last)) for last in LAST]
        found.update({(step, first, a): b for a, b in zip(LAST, row, strict=True)})
        print(f"{step:6g}{first:6g}" + "".join(f"{one:8.2f}" for one in row))
    best = min(found, key=found.get)
    near = sum(one <= found[best] + WITHIN for one in found.values())
    print(f"within {WITHIN:g} points of the least: {near} of {len(found)}")
    print("found: step {:g}, first {:g}, last {:g}".format(*best))
    return best


if __name__ == "__main__":
    main()
