"""Find beyond how many standard deviations a stamp is set aside, from scratch.

Model: 20, 60 and 200 stamps of white noise, of which none, 2 % or 10 % are late by 3 to
5 or by 10 to 30 standard deviations.
Criterion, the finder's own: at most 5 % of runs without late stamps lose a stamp;
then least worst loss, the root mean square of the slope over that of the line through
the stamps that are not late, over all cells.
Grid: 2 to 20. 1 minute.

    python tests/finders/aside.py [--runs N] [--seed S]
"""

import argparse
import sys
from itertools import product
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from seeds import seeded_generator

from benchlog.analysis.pulses.slope import fit_slope

STAMPS = (20, 60, 200)
SHARES = (0.0, 0.02, 0.1)
LATE = ((3.0, 5.0), (10.0, 30.0))
ASIDES = (2.0, 3.0, 4.0, 4.5, 5.0, 5.5, 6.0, 8.0, 10.0, 20.0)
CLEAN = 0.05  # of runs
WITHIN = 0.05  # of the loss


def drawn(rng, runs):
    """Return the errors of each cell, and the slopes of the stamps not late."""
    found = {}
    for n, share, late in product(STAMPS, SHARES, LATE):
        noise = rng.standard_normal((runs, n))
        are_late = rng.random((runs, n)) < share
        errors = noise + np.where(are_late, rng.uniform(*late, (runs, n)), 0.0)
        t = np.arange(float(n))
        best = [
            np.polyfit(t[~out], y[~out], 1)[0]
            for y, out in zip(noise, are_late, strict=True)
        ]
        found[n, share, late] = errors, float(np.sqrt(np.mean(np.square(best))))
    return found


def fitted(errors, aside):
    """Return the root mean square of the slopes, and the share of runs that lose."""
    n = errors.shape[1]
    t, group = np.arange(float(n)), np.zeros(n, np.int64)
    fits = [fit_slope(t, y, group, aside=aside) for y in errors]
    slopes = np.array([fit.slope for fit in fits])
    return float(np.sqrt(np.mean(slopes**2))), np.mean([f.set_aside > 0 for f in fits])


def main(arguments=None):
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args(arguments)
    cells = drawn(seeded_generator(asked.seed), asked.runs)
    print("loss of the slope: the worst of all cells, and by how late and what share;")
    print("runs without late stamps of which some are set aside, worst, in %")
    heads = [f"{low:g}-{high:g} {s:.0%}" for (low, high), s in product(LATE, SHARES)]
    print("   aside   worst" + "".join(f"{one:>10}" for one in heads) + "     aside")
    worst = {}
    for aside in ASIDES:
        loss, clean = {}, 0.0
        for at, (errors, best) in cells.items():
            rms, out = fitted(errors, aside)
            loss[at] = rms / best
            if at[1] == 0.0:
                clean = max(clean, out)
        found = max(loss.values())
        if clean <= CLEAN:
            worst[aside] = found
        columns = [
            max(loss[n, share, late] for n in STAMPS)
            for late, share in product(LATE, SHARES)
        ]
        print(
            f"{aside:8g}{found:8.2f}"
            + "".join(f"{one:10.2f}" for one in columns)
            + f"{100 * clean:10.3f}"
        )
    best = min(worst, key=worst.get)
    near = [one for one, x in worst.items() if x <= worst[best] * (1 + WITHIN)]
    print(f"within {100 * WITHIN:g} % of the least: {near}")
    print(f"found: aside {best:g}")
    return best


if __name__ == "__main__":
    main()
