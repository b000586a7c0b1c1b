"""Find how far apart two groups of a lot must be, a + b / n, from scratch.

Model: normal lots and evenly spread lots of 8 to 500 devices, all of one group.
Criterion: less than 1 % of the lots of either shape and of every size count as two; of
the pairs that hold this, the one with the lowest bar, averaged over the sizes.
Grid: a from 1 to 8 by 0.5, b from 0 to 80 by 5. Under a minute.

    python tests/finders/lot_groups.py [--runs N] [--seed S]
"""

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from seeds import seeded_generator

from benchlog.verdict.lot.lot_spread import groups

SIZES = (8, 10, 13, 20, 32, 50, 80, 125, 200, 500)
A = np.arange(1.0, 8.01, 0.5)
B = np.arange(0.0, 80.01, 5.0)
MOST = 0.01


def main(arguments=None):
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args(arguments)
    rng = seeded_generator(asked.seed)
    cells = []
    for n in SIZES:
        for draw in (rng.standard_normal, rng.random):
            lots = draw((asked.runs, n))
            cells.append(
                (n, np.array([groups(y, 0.0, (0.0, 0.0)).apart for y in lots]))
            )
    worst = np.array(
        [[max(np.mean(d >= a + b / n) for n, d in cells) for b in B] for a in A]
    )
    print("largest share of lots counted as two, in %; down: a, across: b")
    print("      " + "".join(f"{b:6g}" for b in B))
    for a, row in zip(A, worst, strict=True):
        print(f"{a:6g}" + "".join(f"{100 * one:6.1f}" for one in row))
    bar = A[:, None] + B * np.mean([1.0 / n for n in SIZES])
    bar = np.where(worst < MOST, bar, np.inf)
    i, j = np.unravel_index(bar.argmin(), bar.shape)
    print(f"found: a {A[i]:g}, b {B[j]:g}")
    return float(A[i]), float(B[j])


if __name__ == "__main__":
    main()
