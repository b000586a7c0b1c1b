"""Find the shapes of a slope's noise, their weights and bands from scratch.

Model: the noises of tests/analysis/test_slope.py (white, a beat, red, white with a
walk) with 20, 60, 200 and 600 stamps; the true slope is 0.
Criterion: least root mean square miss of 95 % over all cells. The test names noises and
lengths and wants 90 % to hold; the root mean square is the finder's own. Beside it is
printed what white noise pays, half-width over that of theory (60 and 600 stamps); the
test wants at most 1.4 with 600.
Grid: each constant times the factors below, the others as they are. 3 minutes.

    python tests/finders/slope_weights.py [--runs N] [--seed S]
"""

import argparse
import sys
from itertools import product
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[1] / "analysis"))

from seeds import seeded_generator
from test_slope import NOISES, half_width

from benchlog.analysis.pulses.slope import SlopeShapes, fit_slope

STAMPS = (20, 60, 200, 600)
KEPT = SlopeShapes()
TIMES = (0.1, 0.3, 1.0, 3.0, 10.0)
GRID = {
    "1/k": TIMES,
    "1/k^2": TIMES,
    "1/k^3": TIMES,
    "1/k^4": TIMES,
    "plateau": TIMES,
    "short": (0.0, 0.5, 1.0, 2.0),
    "step": (0.5, 1.0, 2.0),
    "top": (0.25, 1.0, 4.0),
    "band": (0.95, 1.0, 1.12),
}
WITHIN = 0.1  # points of coverage that nobody would notice


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


def miss(runs, shapes):
    """Return the root mean square miss of 95 % in points, and two widths for white."""
    apart, widths = [], {}
    for n in STAMPS:
        t, group = np.arange(float(n)), np.zeros(n, np.int64)
        for noise in NOISES:
            fits = [fit_slope(t, x, group, shapes=shapes) for x in runs[noise, n]]
            held = [abs(fit.slope) <= half_width(fit) for fit in fits]
            apart.append(100 * np.mean(held) - 95)
            if noise == "white":
                theory = 1.96 * np.sqrt(12.0) / n**1.5
                widths[n] = float(np.median([half_width(fit) for fit in fits]) / theory)
    return float(np.sqrt(np.mean(np.square(apart)))), widths[60], widths[600]


def main(arguments=None):
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args(arguments)
    rng = seeded_generator(asked.seed)
    runs = {
        (noise, n): [NOISES[noise](n, rng) for _ in range(asked.runs)]
        for noise, n in product(NOISES, STAMPS)
    }
    print("   times    miss white60 white600; miss: root mean square, in points")
    best, as_kept = {}, miss(runs, KEPT)
    for name, factors in GRID.items():
        found = {
            f: as_kept if f == 1 else miss(runs, changed(name, f)) for f in factors
        }
        best[name] = min(found, key=found.get)
        near = [f for f, x in found.items() if x[0] <= found[best[name]][0] + WITHIN]
        print(f"{name}: within {WITHIN:g} of the least: times {near}")
        for factor, figures in found.items():
            print(f"{factor:8g}" + "".join(f"{one:8.2f}" for one in figures))
    print("found: " + ", ".join(f"{name} times {f:g}" for name, f in best.items()))
    return best


if __name__ == "__main__":
    main()
