"""Find weights and ladders of the noise models of least squares from scratch.

Model: the slopes of the campaign in tests/analysis/test_coverage.py, drift and a room's
temperature, in white FM and flicker FM with 100, 300 and 1,000 readings.
Criterion: the aim of coverage.md beside it, 92 to 98 % of the intervals of a slope
hold. The figure is the sum over all cells of the points beyond that aim; adding them
up is the finder's own. Random-walk FM is in no aim; its shares are printed beside.
Grid: each weight times 1/30, 1/10, 1/3, 1, 3, 10, 30; each ladder as it is, every other
rung, and moved by a decade down or up; one after another. 3 minutes.

    python tests/finders/regression_weights.py [--runs N] [--seed S]
"""

import argparse
import sys
from itertools import product
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

sys.path.insert(0, str(Path(__file__).parents[1] / "analysis"))

from noise_makers import make
from seeds import seeded_generator
from test_coverage import COLOURS, LONG

from benchlog.analysis.fitting.regression import (
    _FLICKER,
    _WALK,
    _WEIGHTS,
    Regression,
    block_means,
)

WALK = "random-walk FM"
TIMES = (1 / 30, 0.1, 1 / 3, 1.0, 3.0, 10.0, 30.0)
MIXTURES = ("white and flicker", "white and random walk")
LADDERS = ("every other", "a decade down", "a decade up")
AIM = (92.0, 98.0)
WITHIN = 1.0  # points of the sum, that the drawn runs alone may make


def designs(n):
    """Return the times of the rows, and the designs of drift and of a room."""
    t = np.arange(n, dtype=float)
    room = 3 * np.sin(2 * np.pi * t / n * 1.3) + 0.5 * np.cos(2 * np.pi * t / n * 4)
    at, *columns = block_means([t, t / n, room])
    return at, [np.column_stack([np.ones(len(at)), x]) for x in columns]


def shares(runs, kinds=COLOURS, **choice):
    """Return the shares of intervals that hold, in %, of kinds, lengths and slopes."""
    row, found = np.array([0.0, 1.0]), []
    for n in LONG:
        at, both = designs(n)
        regression = Regression(at, **choice)
        for kind, design in product(kinds, both):
            fits = [regression.fit(design, y) for y in runs[kind, n]]
            held = [abs(one.coefficients[1]) <= one.half_width(row) for one in fits]
            found.append(100 * float(np.mean(held)))
    return found


def points_beyond(runs, **choice):
    """Return by how many points the shares of all cells miss the aim, added up."""
    low, high = AIM
    return sum(max(0.0, low - one, one - high) for one in shares(runs, **choice))


def moved(ladder, how):
    """Return a ladder changed as `LADDERS` names it."""
    times = {"a decade down": 0.1, "a decade up": 10.0}.get(how, 1.0)
    return [times * rung for rung in ladder[:: 2 if how == "every other" else 1]]


def main(arguments=None):
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args(arguments)
    rng = seeded_generator(asked.seed)
    runs = {}
    for kind, n in product((*COLOURS, WALK), LONG):
        whole = make(kind, rng, asked.runs, n)
        runs[kind, n] = np.array([block_means([y])[0] for y in whole])
    print("points beyond the aim, all cells; down: times the weight, across: of which")
    print(" times" + "".join(f"{name:>24}" for name in MIXTURES))
    found, of_code = [], points_beyond(runs)
    for times in TIMES:
        row = [
            of_code
            if times == 1
            else points_beyond(runs, weights={**_WEIGHTS, one: times * _WEIGHTS[one]})
            for one in MIXTURES
        ]
        found.append(row)
        print(f"{times:6.3f}" + "".join(f"{one:24.1f}" for one in row))
    best = []
    for name, column in zip(MIXTURES, zip(*found, strict=True), strict=True):
        best.append(TIMES[column.index(min(column))])
        near = [
            t for t, x in zip(TIMES, column, strict=True) if x <= min(column) + WITHIN
        ]
        said = ", ".join(f"{one:.3g}" for one in near)
        print(f"{name}: within {WITHIN:g} points of the least: times {said}")
    print("points beyond the aim; down: ladder, across: flicker, random walk")
    print(f"{'as it is':>14}{of_code:10.1f}{of_code:10.1f}")
    for how in LADDERS:
        flicker = points_beyond(runs, flicker=moved(_FLICKER, how))
        walk = points_beyond(runs, walk=moved(_WALK, how))
        print(f"{how:>14}{flicker:10.1f}{walk:10.1f}")
    said = ", ".join(f"{one:.1f}" for one in shares(runs, (WALK,)))
    print(f"{WALK}, as it is, in %: {said} (100, 300, 1,000; drift, room)")
    print("found: times {:.3g} flicker, times {:.3g} random walk".format(*best))
    return best


if __name__ == "__main__":
    main()
