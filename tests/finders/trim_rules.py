"""Find the rules of the search for a trim code from scratch, one after another.

Model: the chips of tests/trim/test_search.py, a third of each register; PROBE and SURE
with a limit of 60,000 ppm, the others, which it does not concern, without.
Criterion: that test's, 99 % find the best code or one a tenth of a step worse, with a
median of at most 32 steps, and no chip sets more than 4 codes that are too fast. Of
what holds that, the fewest steps on average; that last choice is the finder's own.
Grid: four values of each. 3 minutes.

    python tests/finders/trim_rules.py [--runs N] [--seed S]
"""

import argparse
import contextlib
import io
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[1] / "trim"))

from seeds import seeded_generator
from test_search import Chip, binary, even, overlapping, searched

from benchlog.analysis.trim_search import TRIM_RULES

MAKES = (even, binary, overlapping)
FASTEST_PPM = 60_000.0
GRID = {
    "coarse": (5, 9, 13, 19),
    "trust": (1.0, 2.5, 5.0, 10.0),
    "repeats": (1, 2, 4, 8),
    "latest": (1, 2, 3, 4),
    "wander": (0.0, 0.1, 0.2, 0.4),
    "close": (1.0, 2.0, 4.0, 8.0),
    "probe": (2, 4, 8, 16),
    "sure": (1.0, 1.25, 1.5, 2.0),
}
LIMITED = ("probe", "sure")
LEAST_FOUND, MOST_STEPS, MOST_FAST = 0.99, 32, 4
NEVER = Chip(found=False, steps=200, codes=0, too_fast=0, outside=0)


def chips(seeds, fastest_ppm, rules):
    """Return how the search went on each chip; one that the test rejects: not found."""
    found = []
    for i, seed in enumerate(seeds):
        try:
            with contextlib.redirect_stdout(io.StringIO()):
                found.append(searched(MAKES[i % 3], seed, fastest_ppm, rules))
        except AssertionError:
            found.append(NEVER)
    return found


def main(arguments=None):
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=150)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args(arguments)
    rng = seeded_generator(asked.seed)
    seeds = rng.integers(1_000_000, size=asked.runs).tolist()
    kept = {ppm: chips(seeds, ppm, TRIM_RULES) for ppm in (None, FASTEST_PPM)}
    print("chips that find the best code in %, median and mean steps, most too fast")
    best = {}
    for name, grid in GRID.items():
        fastest_ppm = FASTEST_PPM if name in LIMITED else None
        print(f"{name:>8}   found  median    mean    fast")
        passed = {}
        for one in grid:
            rules = TRIM_RULES._replace(**{name: one})
            same = rules == TRIM_RULES
            went = kept[fastest_ppm] if same else chips(seeds, fastest_ppm, rules)
            found = float(np.mean([chip.found for chip in went]))
            steps = [chip.steps for chip in went]
            middle, mean = float(np.median(steps)), float(np.mean(steps))
            fast = max(chip.too_fast for chip in went)
            print(f"{one:8g}{100 * found:8.1f}{middle:8.1f}{mean:8.2f}{fast:8d}")
            if found >= LEAST_FOUND and middle <= MOST_STEPS and fast <= MOST_FAST:
                passed[one] = mean
        best[name] = min(passed, key=passed.get) if passed else "none"
    print("found: " + ", ".join(f"{name} {one}" for name, one in best.items()))
    return best


if __name__ == "__main__":
    main()
