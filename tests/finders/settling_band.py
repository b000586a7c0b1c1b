"""Find the bounds by which a source counts as settled, or as moving still.

Model: a phase of 100 or 400 readings in white or flicker FM whose scatter from reading
to reading is 1; the source has moved by 10 or 100 at once, or nears where it goes with
a time constant of a twentieth of the phase (settled), of a half or of the whole (moving
still: 14 % and 37 % are left at its end).
Criteria, the finder's own: most are told rightly, worst shape: the settled ones get a
time, within a tenth of the phase of the true one (until a twentieth of the change is
left), the others none. Where the source is too restless to see that, none is right,
too, and counts for nothing; of the settled ones at most one in ten may be that.
Grid: scatters 2 to 8, still moving 0.02 to 0.4, together. 2 minutes.

    python tests/finders/settling_band.py [--runs N] [--seed S]
"""

import argparse
import sys
from itertools import product
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from noise_makers import allan_variance, make
from seeds import seeded_generator

# private: the bounds alone, without the noise that decides whether there is a change
from benchlog.analysis.response import SETTLED_SHARE, WITHIN, _settling

NOISES = ("white FM", "flicker FM")
READINGS = (100, 400)
CHANGES = (10.0, 100.0)
SHAPES = {"at once": 0.0, "a twentieth": 0.05, "a half": 0.5, "the whole": 1.0}
MOVING = ("a half", "the whole")
SCATTERS = (2.0, 3.0, 4.0, 6.0, 8.0)
STILL_MOVING = (0.02, 0.05, 0.1, 0.2, 0.4)
CLOSE = 0.1  # share of the phase
MOST_RESTLESS = 0.1
WITHIN_MOST = 0.01  # share told rightly


def drawn(rng, runs):
    """Return phases by shape: readings less where each went, and the change seen."""
    found = {shape: [] for shape in SHAPES}
    for noise, n, change in product(NOISES, READINGS, CHANGES):
        scale = np.sqrt(allan_variance(noise, 1, n))
        for shape, share in SHAPES.items():
            t = np.arange(n) / n
            left = change * np.exp(-t / share) if share else np.zeros(n)
            for y in make(noise, rng, runs, n) / scale - left:
                end = y[-int(np.ceil(n * SETTLED_SHARE)) :].mean()
                found[shape].append((t, y - end, change + end))
    return found


def told(phases, shape, **bounds):
    """Return the share told rightly, and the share too restless to tell."""
    true_s, right, restless = -SHAPES[shape] * np.log(WITHIN), [], 0
    for t, away, change in phases:
        settle_s, within = _settling(t, away, change, **bounds)
        if within is None:
            restless += 1
        elif shape in MOVING:
            right.append(settle_s is None)
        else:
            right.append(settle_s is not None and abs(settle_s - true_s) <= CLOSE)
    return (float(np.mean(right)) if right else 0.0), restless / len(phases)


def main(arguments=None):
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args(arguments)
    phases = drawn(seeded_generator(asked.seed), asked.runs)
    print("told rightly, and too restless to tell, in %")
    print("scatters  moving" + "".join(f"{shape:>18}" for shape in SHAPES))
    worst = {}
    for scatters, moving in product(SCATTERS, STILL_MOVING):
        cells = [
            told(phases[one], one, scatters=scatters, still_moving=moving)
            for one in SHAPES
        ]
        settled = zip(SHAPES, cells, strict=True)
        restless = max(share for one, (_, share) in settled if one not in MOVING)
        if restless <= MOST_RESTLESS:
            worst[scatters, moving] = min(share for share, _ in cells)
        print(
            f"{scatters:8g}{moving:8g}"
            + "".join(f"{100 * a:11.1f}{100 * b:7.1f}" for a, b in cells)
        )
    if not worst:
        print("found: none")
        return None
    best = max(worst, key=worst.get)
    near = [pair for pair, x in worst.items() if x >= worst[best] - WITHIN_MOST]
    print(f"within {100 * WITHIN_MOST:g} points of the most: {near}")
    print("found: scatters {:g}, still moving {:g}".format(*best))
    return best


if __name__ == "__main__":
    main()
