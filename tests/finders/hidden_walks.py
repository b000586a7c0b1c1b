"""Find the weight of what hides a random walk: white PM, and long runs' octaves.

Model: coverage of the mean of the stretch that follows, in mixtures of a quicker noise
with 5, 10 and 20 times random-walk FM (tests/analysis/test_coverage.py). `_HIDDEN`:
white PM at 30 and 100 readings. `_MOST_TOGETHER`: flicker FM at 300 and 1,000.
Criterion: each cell holds 93 %, less the point that 3,000 runs leave open; of those
the least weight, and the most freedom (the narrowest interval).
Grid: weights 1 to 4; 30 to 120 degrees together. A minute at 3,000 runs.

    python tests/finders/hidden_walks.py [--runs N] [--seed S]
"""

import argparse
import sys
from pathlib import Path

import numpy as np
from scipy.special import stdtrit

sys.path.insert(0, str(Path(__file__).parent.parent))
sys.path.insert(0, str(Path(__file__).parent.parent / "analysis"))

from seeds import seeded_generator
from test_coverage import evidence, frequencies, with_motions

from benchlog.analysis.noise_mixture import Ladder, spread_of

RATIOS = (5.0, 10.0, 20.0)
WEIGHTS = (1.0, 1.5, 2.0, 2.5, 3.0, 4.0)
TOGETHER = (30.0, 40.0, 50.0, 60.0, 80.0, 120.0)
HOLDS = 0.92


def drawn(kinds, lengths, runs, rng):
    """Return (evidence, how far the next mean lies) of each cell."""
    made = []
    for kind in kinds:
        for n in lengths:
            y = frequencies(kind, rng, runs, n)
            first = y[:, :n]
            seen = with_motions(evidence(first, np.ones_like(first)), first)
            made.append((seen, np.abs(y[:, n:].mean(axis=1) - first.mean(axis=1))))
    return made


def walked(quick, lengths, runs, rng):
    """Return the cells of a quicker noise with random walks, and of it alone."""
    kinds = [(quick, "random-walk FM", ratio) for ratio in RATIOS]
    return drawn(kinds, lengths, runs, rng), drawn([quick], lengths, runs, rng)


def least_and_width(made, **choice):
    """Return the least share that holds, and the widest of noise alone to the ideal."""
    shares, widths = [], []
    for cells, kept in zip(made, (shares, widths), strict=True):
        for seen, apart in cells:
            found = spread_of(seen, **choice)
            half = stdtrit(found.freedom, 0.975) * np.sqrt(2.0) * found.u
            ideal = 1.96 * np.sqrt(np.mean(apart**2))
            held = kept is shares
            kept.append(np.mean(apart <= half) if held else np.median(half) / ideal)
    return float(min(shares)), float(max(widths))


def table(title, made, choices):
    """Print a row for each value and return those that hold enough."""
    print(f"{title}: least share in %, width of the quicker noise alone")
    enough = []
    for value, choice in choices.items():
        share, width = least_and_width(made, **choice)
        print(f"{value:6g} {100 * share:8.1f} {width:8.2f}", flush=True)
        if share >= HOLDS:
            enough.append(value)
    return enough


def main(arguments=None):
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=3000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args(arguments)
    rng = seeded_generator(asked.seed)
    made = walked("white PM", (30, 100), asked.runs, rng)
    choices = {one: {"ladder": Ladder()._replace(hidden=one)} for one in WEIGHTS}
    hidden = table("weight under white PM", made, choices)
    made = walked("flicker FM", (300, 1000), asked.runs, rng)
    choices = {one: {"most_together": one} for one in TOGETHER}
    together = table("most freedom of octaves together", made, choices)
    found = min(hidden, default=None), max(together, default=None)
    print("found: hidden {}, most together {}".format(*found))
    return found


if __name__ == "__main__":
    main()
