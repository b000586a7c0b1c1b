"""Find by which signs pulses at another rate than stated are told, from scratch.

Model: trains of tests/pulse_makers.py, 12, 30 and 200 places, at the stated rate, with
0, 20 or 40 % missing and 0, 10 or 30 % extra pulses; and at 2, 3, 5 and 10 times the
rate, and once where 2 were stated, with 0, 20 or 40 % missing. Stamps scatter by 1 % of
the spacing that is sent.
Criterion, the finder's own: at most 0.5 % of the trains at the stated rate are told
another, worst cell; among what holds that, most of the others are told rightly, to 2 %.
Grid: each constant as below, the others as they are. 2 minutes.

    python tests/finders/rate_signs.py [--runs N] [--seed S]
"""

import argparse
import sys
from itertools import product
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from pulse_makers import Host, Source, stamped, true_times
from seeds import seeded_generator

from benchlog.analysis.pulses.usual_rate import RateSigns, usual_rate

PLACES = (12, 30, 200)
MISSED = (0.0, 0.2, 0.4)
DOUBLED = (0.0, 0.1, 0.3)
TIMES = (2.0, 3.0, 5.0, 10.0, 0.5)
SCATTER = 0.01
KEPT = RateSigns()
FITS, SHORT, BETWEEN = KEPT.shares
GRID = {
    "fewest": [{"fewest": one} for one in (3, 5, 8, 12, 20)],
    "alike": [{"alike": one} for one in (0.03, 0.05, 0.1, 0.15, 0.2, 0.3)],
    "most": [{"most": one} for one in (0.5, 0.6, 0.7, 0.8, 0.9, 0.95)],
    "fits": [{"shares": (x, SHORT, BETWEEN)} for x in (0.6, 0.7, 0.8, 0.9, 0.95)],
    "short": [{"shares": (FITS, x, BETWEEN)} for x in (0.3, 0.45, 0.6, 0.75, 0.9)],
    "between": [{"shares": (FITS, SHORT, x)} for x in (0.1, 0.2, 0.3, 0.4, 0.5)],
}
APART = 0.2  # the judge's bound: a rate nearer than this is the stated one
RIGHT = 0.02
MOST_FALSE = 0.005
WITHIN = 0.01  # share told rightly


def train(rng, places, times, missed, doubled):
    """Return the stamps of a train whose stated spacing is 1 s."""
    source = Source(nominal_s=1.0 / times, missed=missed, doubled=doubled)
    host = Host(jitter_s=SCATTER / times)
    return stamped(true_times(source, places, rng), lambda t: t, host, rng)


def told(trains, signs):
    """Return the rates that are told, NaN where none is."""
    rates = [usual_rate(one, np.zeros(len(one)), 1.0, signs) for one in trains]
    return np.array([np.nan if rate is None else rate for rate in rates])


def figures(stated, others, signs):
    """Return the worst share told falsely, and the mean share told rightly."""
    false = [np.mean(np.abs(told(one, signs) - 1.0) > APART) for one in stated]
    right = [
        np.mean(np.abs(told(one, signs) / times - 1.0) <= RIGHT)
        for times, one in others
    ]
    return float(np.max(false)), float(np.mean(right))


def main(arguments=None):
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args(arguments)
    rng, runs = seeded_generator(asked.seed), range(asked.runs)
    stated = [
        [train(rng, n, 1.0, missed, doubled) for _ in runs]
        for n, missed, doubled in product(PLACES, MISSED, DOUBLED)
    ]
    others = [
        (times, [train(rng, n, times, missed, 0.0) for _ in runs])
        for n, times, missed in product(PLACES, TIMES, MISSED)
    ]
    print("told another rate falsely, worst cell, and told rightly, in %")
    best = {}
    for name, changes in GRID.items():
        print(f"{name:>8}   false   right")
        held = {}
        for change in changes:
            signs = KEPT._replace(**change)
            (value,) = change.values()
            if isinstance(value, tuple):
                value = value[("fits", "short", "between").index(name)]
            false, right = figures(stated, others, signs)
            print(f"{value:8g}{100 * false:8.2f}{100 * right:8.1f}")
            if false <= MOST_FALSE:
                held[value] = right
        best[name] = max(held, key=held.get) if held else None
        near = [one for one, x in held.items() if x >= held[best[name]] - WITHIN]
        print(f"{name}: hold the first, within {WITHIN:g} of the most: {near}")
    said = (
        f"{k} {'none' if one is None else format(one, 'g')}" for k, one in best.items()
    )
    print("found: " + ", ".join(said))
    return best


if __name__ == "__main__":
    main()
