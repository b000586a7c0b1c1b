"""Find when a deviation is that of a drift, from scratch.

Model: white FM, flicker FM and random-walk FM without drift, 200 and 2,000 readings;
and white FM of 2,000 readings with a drift, even or rising from 0.7 to 1.3 of its mean,
whose deviation passes that of the noise at 30 readings.
Criterion: at most 0.5 % of the runs without drift are called one, worst cell; among
what holds that, most drifts are named from four times the crossing on or sooner. The
tests want both (tests/analysis/test_stability.py); the figures are the finder's own.
Grid: nearness 1.1 to 3, rise 0.6 to 0.95, ratio of tau 2 to 16, all together. 1 minute.

    python tests/finders/drift_dominance.py [--runs N] [--seed S]
"""

import argparse
import sys
from dataclasses import replace
from itertools import product
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from noise_makers import make
from seeds import seeded_generator

from benchlog.analysis.series import Series
from benchlog.analysis.stability.drift_dominance import (
    DriftSigns,
    drift_each,
    with_drift,
)
from benchlog.analysis.stability.estimation import stability

NOISES = ("white FM", "flicker FM", "random-walk FM")
READINGS = (200, 2000)
CROSSING = 30.0
NEAR = (1.1, 1.2, 1.4, 1.7, 2.0, 3.0)
RISES = (0.6, 0.7, 0.8, 0.9, 0.95)
WIDE = (2.0, 4.0, 8.0, 16.0)
MOST = 0.005
WITHIN = 0.02  # share of drifts named


def tables(runs):
    """Return the rows of each run without the names of noises, and its drift."""
    found = []
    for y in runs:
        rows = stability(Series(y, 1.0)).rows
        found.append(([replace(row, noise=None) for row in rows], drift_each(y)))
    return found


def drifting(rng, runs):
    """Return white FM with drifts, every other one uneven."""
    n = max(READINGS)
    t = np.arange(n, dtype=float)
    even = np.sqrt(2.0) / CROSSING**1.5 * t
    uneven = even * (0.7 + 0.3 * t / n)
    both = np.where(np.arange(runs)[:, None] % 2, uneven, even)
    return make("white FM", rng, runs, n) + both


def named_from(table, signs):
    """Return the least averaging time called a drift, infinite for none."""
    rows, note = with_drift(*table, signs=signs)
    if not note:
        return np.inf
    found = [row.tau_s for row in rows if row.noise == "drift"]
    return min(found)


def main(arguments=None):
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=400)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args(arguments)
    rng = seeded_generator(asked.seed)
    clean = [
        tables(make(kind, rng, asked.runs, n)) for kind, n in product(NOISES, READINGS)
    ]
    with_one = tables(drifting(rng, asked.runs))
    print("called a drift without one, worst cell, and drifts named in time, in %")
    print("  near rises" + "".join(f"{'wide ' + format(w, 'g'):>16}" for w in WIDE))
    passed = {}
    for near, rises in product(NEAR, RISES):
        line = f"{near:6g}{rises:6g}"
        for wide in WIDE:
            signs = DriftSigns(near, rises, wide)
            false = max(
                np.mean([named_from(one, signs) < np.inf for one in cell])
                for cell in clean
            )
            first = np.array([named_from(one, signs) for one in with_one])
            named = float(np.mean(first <= 4.0 * CROSSING))
            line += f"{100 * false:9.2f}{100 * named:7.1f}"
            if false <= MOST:
                passed[near, rises, wide] = named
        print(line)
    if not passed:
        print("found: none on the grid")
        return None
    best = max(passed, key=passed.get)
    close = sum(one >= passed[best] - WITHIN for one in passed.values())
    print(
        f"hold the first: {len(passed)}; within {WITHIN:g} of the most named: {close}"
    )
    print("found: near {:g}, rises {:g}, wide {:g}".format(*best))
    return best


if __name__ == "__main__":
    main()
