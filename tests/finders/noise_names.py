"""Find how many averages name a noise, and when a series is differenced, from scratch.

Model: the five noises from flicker PM to random-walk FM and the two beyond, each value
the average of 16, 15 to 1,024 averages; a phase noise is right whichever it is called.
Criteria: `FIRM`: the fewest averages from which on at least 95 % are named rightly in
the worst of white, flicker and random-walk FM. `FEWEST`: the fewest from which on at
least 95 % are named rightly or as a neighbour, worst noise. `_STATIONARY` (a pair):
most named rightly in the worst of those three noises with 45, 128 or 512 averages; it
is derived beside the code. All three are the finder's own.
Grid: numbers of averages about half an octave apart; delta 0.15 to 0.45. 3 minutes.

    python tests/finders/noise_names.py [--runs N] [--seed S]
"""

import argparse
import sys
from itertools import product
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from noise_makers import make
from seeds import seeded_generator

from benchlog.analysis.stability.lag_one import placed
from benchlog.analysis.stability.noise_identification import noise_exponent

AVERAGES = (15, 20, 30, 45, 64, 90, 128, 180, 256, 512, 1024)
M = 16
DELTAS = (0.15, 0.2, 0.25, 0.3, 0.35, 0.4, 0.45)
ALPHAS = (1, 0, -1, -2, -3, -4)
USUAL = (0, -1, -2)
AT = (45, 128, 512)
RIGHT_SHARE = 0.95
NEAR_SHARE = 0.95
WITHIN = 0.01  # share named rightly


def noise(alpha, rng, runs, n):
    """Return averages over M of the noise, shape (runs, n)."""
    base = make("flicker FM" if alpha % 2 else "white FM", rng, runs, n * M + 1)
    if alpha > 0:
        base = np.diff(base, axis=1)
    for _ in range(-alpha // 2):
        base = np.cumsum(base, axis=1)
    return base[:, -n * M :].reshape(runs, n, M).mean(axis=2)


def names(runs, **bounds):
    """Return the exponent and the alpha of each run, NaN where there is none."""
    found = [noise_exponent(one, fewest=2, **bounds) for one in runs]
    found = np.array([np.nan if one is None else one for one in found])
    return found, np.array([placed(one, M)[0] for one in found])


def figures(runs, alpha, **bounds):
    """Return the exponent's standard deviation, and how many are right, or nearly."""
    exponents, found = names(runs, **bounds)
    apart = np.abs(found - alpha)
    spread = float(np.nanstd(exponents))
    return spread, float(np.mean(apart == 0)), float(np.mean(apart <= 1))


def by_averages(rng, runs):
    """Print the figures of each number of averages; return those of the worst noise."""
    print("standard deviation of the exponent; named rightly, or as a neighbour, in %")
    print("averages" + "".join(f"{f'alpha {alpha}':>18}" for alpha in ALPHAS))
    worst = {}
    for n in AVERAGES:
        cells = {a: figures(noise(a, rng, runs, n), a) for a in ALPHAS}
        print(
            f"{n:8d}"
            + "".join(
                f"{s:7.2f}{100 * a:6.1f}{100 * b:5.0f}" for s, a, b in cells.values()
            )
        )
        worst[n] = (
            min(cells[alpha][1] for alpha in USUAL),
            min(near for _, _, near in cells.values()),
        )
    return worst


def by_delta(rng, runs):
    """Print the share named rightly for each pair of deltas; return the worst."""
    print("named rightly in %, by the number of averages")
    counts = "/".join(str(n) for n in AT)
    print("first  then" + "".join(f"{f'alpha {alpha}':>18}" for alpha in USUAL), counts)
    made = {(alpha, n): noise(alpha, rng, runs, n) for alpha in USUAL for n in AT}
    worst = {}
    for pair in product(DELTAS, DELTAS):
        right = [
            figures(one, alpha, stationary=pair)[1] for (alpha, _), one in made.items()
        ]
        print(
            "{:5.2f} {:5.2f}".format(*pair)
            + "".join(f"{100 * one:6.1f}" for one in right)
        )
        worst[pair] = min(right)
    return worst


def least_from(good):
    """Return the smallest key from which on all are good, None where none is."""
    best = None
    for key in sorted(good, reverse=True):
        if not good[key]:
            break
        best = key
    return best


def main(arguments=None):
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args(arguments)
    rng = seeded_generator(asked.seed)
    worst = by_averages(rng, asked.runs)
    firm = least_from({n: right >= RIGHT_SHARE for n, (right, _) in worst.items()})
    fewest = least_from({n: near >= NEAR_SHARE for n, (_, near) in worst.items()})
    right = by_delta(rng, asked.runs)
    delta = max(right, key=right.get)
    near = [one for one, x in right.items() if x >= right[delta] - WITHIN]
    print(f"deltas within {100 * WITHIN:g} points of the most: {near}")
    print("found: firm {}, fewest {}, delta {:g} {:g}".format(firm, fewest, *delta))
    return firm, fewest, delta


if __name__ == "__main__":
    main()
