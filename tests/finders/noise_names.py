"""Find how many averages name a noise, and when a series is differenced, from scratch.

Model: the seven power-law noises, white PM to random-run FM, 15 to 1,024 averages.
Criteria: `FIRM`: the fewest averages from which on the exponent has a standard
deviation of at most 0.2 in the worst noise (of the code's docstring). `FEWEST`: the
fewest from which on at least 95 % are named rightly or as a neighbour, worst noise (the
finder's own; the code gives no figure). `_STATIONARY`: most named rightly in the worst
noise with 45, 128 or 512 averages (the finder's own; 0.25 is published).
Grid: numbers of averages about half an octave apart; delta 0.05 to 0.45. 20 s.

    python tests/finders/noise_names.py [--runs N] [--seed S]
"""

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from noise_makers import make
from seeds import seeded_generator

from benchlog.analysis.stability.noise_identification import noise_exponent

AVERAGES = (15, 20, 30, 45, 64, 90, 128, 180, 256, 512, 1024)
DELTAS = (0.05, 0.15, 0.2, 0.25, 0.3, 0.35, 0.45)
ALPHAS = (2, 1, 0, -1, -2, -3, -4)
AT = (45, 128, 512)
GOOD = 0.2
NEAR_SHARE = 0.95
WITHIN = 0.01  # share named rightly


def noise(alpha, rng, runs, n):
    """Return frequency averages of the noise, shape (runs, n)."""
    base = make("flicker FM" if alpha % 2 else "white FM", rng, runs, n + 1)
    if alpha > 0:
        return np.diff(base, axis=1)
    for _ in range(-alpha // 2):
        base = np.cumsum(base, axis=1)
    return base[:, 1:]


def exponents(runs, **bounds):
    """Return the exponent of each run, NaN where there is none."""
    found = [noise_exponent(one, fewest=2, **bounds) for one in runs]
    return np.array([np.nan if one is None else one for one in found])


def figures(found, alpha):
    """Return the exponent's standard deviation, and how many are right, or nearly."""
    apart = np.abs(np.clip(np.round(found), -4, 2) - alpha)
    spread = float(np.nanstd(found))
    return spread, float(np.mean(apart == 0)), float(np.mean(apart <= 1))


def by_averages(rng, runs):
    """Print the figures of each number of averages; return those of the worst noise."""
    print("standard deviation of the exponent; named rightly, or as a neighbour, in %")
    print("averages" + "".join(f"{f'alpha {alpha}':>18}" for alpha in ALPHAS))
    worst = {}
    for n in AVERAGES:
        cells = [figures(exponents(noise(a, rng, runs, n)), a) for a in ALPHAS]
        print(
            f"{n:8d}"
            + "".join(f"{s:7.2f}{100 * a:6.1f}{100 * b:5.0f}" for s, a, b in cells)
        )
        spreads, _, near = zip(*cells, strict=True)
        worst[n] = max(spreads), min(near)
    return worst


def by_delta(rng, runs):
    """Print the share named rightly for each bound of delta; return the worst."""
    print("named rightly in %, by the number of averages")
    counts = "/".join(str(n) for n in AT)
    print("   delta" + "".join(f"{f'alpha {alpha}':>18}" for alpha in ALPHAS), counts)
    made = {(alpha, n): noise(alpha, rng, runs, n) for alpha in ALPHAS for n in AT}
    worst = {}
    for delta in DELTAS:
        right = [
            figures(exponents(one, stationary=delta), alpha)[1]
            for (alpha, _), one in made.items()
        ]
        print(f"{delta:8.2f}" + "".join(f"{100 * one:6.1f}" for one in right))
        worst[delta] = min(right)
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
    firm = least_from({n: spread <= GOOD for n, (spread, _) in worst.items()})
    fewest = least_from({n: near >= NEAR_SHARE for n, (_, near) in worst.items()})
    right = by_delta(rng, asked.runs)
    delta = max(right, key=right.get)
    near = [one for one, x in right.items() if x >= right[delta] - WITHIN]
    print(f"delta within {100 * WITHIN:g} points of the most: {near}")
    print(f"found: firm {firm}, fewest {fewest}, delta {delta:g}")
    return firm, fewest, delta


if __name__ == "__main__":
    main()
