"""Find the weights of slower noises where a run's slowest motions are known.

Model: coverage of the mean of the stretch that follows, over the noises and mixtures of
tests/analysis/test_coverage.py (PURE and HIDDEN), 30, 100 and 300 readings.
Criterion: the sum over cells of the squared points by which a share falls short of
93 %, and of 25 times the square of the natural logarithm by which the median width
is beyond 1.6 of the ideal. It weighs a false interval against a useless one; that
weight is ours.
Grid: each weight, and that of random walks in long runs (`_WALKS`), times 1/8 to 8,
the others as they are. 10 minutes.

    python tests/finders/pair_weights.py [--runs N] [--seed S]
"""

import argparse
import sys
from itertools import combinations, product
from pathlib import Path

import numpy as np
from scipy.special import stdtrit

sys.path.insert(0, str(Path(__file__).parent.parent))
sys.path.insert(0, str(Path(__file__).parent.parent / "analysis"))

from seeds import seeded_generator
from test_coverage import HIDDEN, PURE, evidence, frequencies, with_motions

from benchlog.analysis.noise_mixture import Ladder, spread_of
from benchlog.analysis.uncertainty import TERM_NAMES

LENGTHS = (30, 100, 300)
TIMES = (0.125, 0.25, 0.5, 1.0, 2.0, 4.0, 8.0)
PAIRS = tuple(combinations(range(4), 2))
LEAST, WIDEST, COST = 0.93, 1.6, 25.0
WITHIN = 5.0  # of the sum, that the drawn runs alone may make


def cells(runs, seed):
    """Return (evidence of the runs, how far the next mean lies)."""
    rng, made = seeded_generator(seed), []
    for kind, n in product((*PURE, *HIDDEN), LENGTHS):
        y = frequencies(kind, rng, runs, n)
        first = y[:, :n]
        seen = with_motions(evidence(first, np.ones_like(first)), first)
        made.append((seen, np.abs(y[:, n:].mean(axis=1) - first.mean(axis=1))))
    return made


def missed(made, **choice):
    """Return the criterion's sum."""
    total = 0.0
    for seen, apart in made:
        found = spread_of(seen, **choice)
        half = stdtrit(found.freedom, 0.975) * np.sqrt(2.0) * found.u
        short = 100.0 * max(0.0, LEAST - float(np.mean(apart <= half)))
        width = float(np.median(half)) / (1.96 * float(np.sqrt(np.mean(apart**2))))
        total += short**2 + COST * max(0.0, np.log(width / WIDEST)) ** 2
    return total


def ladder_with(which, times):
    """Return the ladder with one weight changed; the last is of random walks."""
    kept = Ladder()
    if which == len(PAIRS):
        return kept._replace(walks=kept.walks * times)
    pairs = tuple(
        w * (times if at == which else 1.0) for at, w in enumerate(kept.pairs)
    )
    return kept._replace(pairs=pairs)


def main(arguments=None):
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args(arguments)
    made = cells(asked.runs, asked.seed)
    names = [f"{TERM_NAMES[a]}, {TERM_NAMES[b]}" for a, b in PAIRS] + ["long walks"]
    print("the criterion's sum; down: times the weight, across: of which pair")
    print(" times" + "".join(f"{name:>28}" for name in names))
    rows = []
    for times in TIMES:
        rows.append(
            [missed(made, ladder=ladder_with(at, times)) for at in range(len(names))]
        )
        print(f"{times:6g}" + "".join(f"{one:28.1f}" for one in rows[-1]), flush=True)
    best = {}
    for name, column in zip(names, zip(*rows, strict=True), strict=True):
        least = min(column)
        near = [t for t, x in zip(TIMES, column, strict=True) if x <= least + WITHIN]
        best[name] = TIMES[column.index(least)]
        print(f"{name}: within {WITHIN:g} of the least: times {near}")
    print("found: times " + ", ".join(f"{t:g} {name}" for name, t in best.items()))
    return best


if __name__ == "__main__":
    main()
