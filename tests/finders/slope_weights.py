"""Find the shapes of a slope's noise, their weights and bands from scratch.

Model: the noises of tests/analysis/test_slope.py (white, a beat, red, white with a
walk), noise half of which stays from stamp to stamp, delays of exponential length, and
white noise with a frequency that walks, with 12, 25, 60 and 200 stamps; the true slope
is 0.
Criterion: least interval score of the 95 % interval (width, and 2 / 0.05 times what the
truth lies outside by; source: Gneiting and Raftery, Strictly Proper Scoring Rules,
Prediction, and Estimation, 2007, eq. 43), over that of +-1.96 standard deviations of
the slopes, geometric mean over all cells: width and misses are charged in one coin.
Of what it prefers, only what holds 90 % in every cell of 12 stamps, 73 % of 25, 70 % of
60 and 90 % of 200 (the finder's own; 25 stamps hardly show a walk or a beat). Beside
it: what white noise pays, half-width over that of theory (25 stamps, median and worst),
and by how many points the worst cell holds too few.
Grid: each constant times the factors below, the others as they are. 5 minutes.

    python tests/finders/slope_weights.py [--runs N] [--seed S]
"""

import argparse
import sys
from itertools import product
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[1] / "analysis"))

from noise_makers import lingering
from seeds import seeded_generator
from test_slope import NOISES, half_width

from benchlog.analysis.pulses.slope import SlopeShapes, fit_slope

STAMPS = (12, 25, 60, 200)
HOLDS = {12: 90, 25: 73, 60: 70, 200: 90}  # of the cells of so many stamps, in %


def wander(n, rng):
    """Return the phase of a frequency that walks, less its mean over the run."""
    x = np.cumsum(np.cumsum(rng.standard_normal(n)))
    return x - np.linspace(x[0], x[-1], n)


COLOURS = {
    **NOISES,
    "half stays": lambda n, rng: lingering(0.5, rng.standard_normal(n + 20))[20:],
    "delays": lambda n, rng: -rng.exponential(1.0, n),
    "wanders": lambda n, rng: rng.standard_normal(n) + 0.02 * wander(n, rng),
}
KEPT = SlopeShapes()
TIMES = (0.1, 0.3, 1.0, 3.0)
GRID = {
    "1/k": TIMES,
    "1/k^2": TIMES,
    "1/k^3": TIMES,
    "1/k^4": TIMES,
    "plateau": TIMES,
    "short": (0.0, 0.3, 0.6, 1.0, 1.5, 3.0),
    "step": (0.5, 1.0, 2.0),
    "top": (1 / 64, 0.25, 1.0, 4.0),
    "band": (0.95, 1.0, 1.12),
}
MISSED = 2 / 0.05
IDEAL = 4.676  # of normal slopes and their own sd: 3.92 + 40 E max(0, |z| - 1.96)
WITHIN = 0.01  # of the score: nobody would notice


def changed(name, times):
    """Return the shapes with one constant times a factor."""
    if name in KEPT._fields:
        return KEPT._replace(**{name: times * getattr(KEPT, name)})
    at = list(GRID).index(name)
    powers = tuple(
        (power, weight * (times if i == at else 1.0))
        for i, (power, weight) in enumerate(KEPT.powers)
    )
    return KEPT._replace(powers=powers)


def figures(runs, shapes):
    """Return the score, two widths of 25 white stamps, and the points held too few."""
    scores, short = [], []
    for (noise, n), made in runs.items():
        t, group = np.arange(float(n)), np.zeros(n, np.int64)
        fits = [fit_slope(t, x, group, shapes=shapes) for x in made]
        slopes = np.array([fit.slope for fit in fits])
        half = np.array([half_width(fit) for fit in fits])
        beyond = np.maximum(0.0, np.abs(slopes) - half)
        score = np.mean(2 * half + MISSED * beyond) / (IDEAL * np.std(slopes))
        scores.append(np.log(score))
        short.append(HOLDS[n] - 100 * np.mean(beyond == 0))
        if (noise, n) == ("white", 25):
            white = half / (1.96 * np.sqrt(12.0 / (n * (n**2 - 1.0))))
    return np.exp(np.mean(scores)), np.median(white), white.max(), max(0.0, *short)


def main(arguments=None):
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args(arguments)
    rng = seeded_generator(asked.seed)
    runs = {
        (noise, n): [COLOURS[noise](n, rng) for _ in range(asked.runs)]
        for noise, n in product(COLOURS, STAMPS)
    }
    print("   times   score white25   worst   short")
    best, as_kept = {}, figures(runs, KEPT)
    for name, factors in GRID.items():
        found = {
            f: as_kept if f == 1 else figures(runs, changed(name, f)) for f in factors
        }
        best[name] = min(found, key=lambda f, x=found: (x[f][-1], x[f][0]))
        bar = found[best[name]][0] * (1 + WITHIN)
        near = [f for f, x in found.items() if x[0] <= bar and not x[-1]]
        print(f"{name}: within {WITHIN:.0%} of the least: times {near}")
        for factor, row in found.items():
            print(f"{factor:8.3g}" + "".join(f"{one:8.3f}" for one in row), flush=True)
    print("found: " + ", ".join(f"{name} times {f:g}" for name, f in best.items()))
    return best


if __name__ == "__main__":
    main()
