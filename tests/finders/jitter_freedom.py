"""Find how much freedom a pair of neighbours has in the jitter at the gate.

Model: 5 to 300 readings of white FM, whose scatter is 1; flicker FM is printed beside,
held against its own Allan deviation. The scatter at the gate is the Allan deviation.
Criterion: least root mean square miss of 2.5 % at each end of the 95 % interval in
white FM, over all lengths. The code names white noise; the root mean square is the
finder's own. Theory for many readings: 2/3 (from the sum of squared covariances of
neighbouring differences, 4 n^2 / (6 n - 2) for n pairs).
Grid: 0.3 to 1.2 by 0.05, and 2/3. 10 seconds.

    python tests/finders/jitter_freedom.py [--runs N] [--seed S]
"""

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from noise_makers import allan_variance, make
from seeds import seeded_generator

from benchlog.verdict.run.jitter import RATE, Scatter

READINGS = (5, 10, 30, 100, 300)
FACTORS = sorted([*np.arange(0.3, 1.21, 0.05).tolist(), 2.0 / 3.0])
WITHIN = 0.1  # points that nobody would notice


def over_truth(kind, rng, runs, n):
    """Return the scatter at the gate of each run over the true one."""
    pairs = np.diff(make(kind, rng, runs, n), axis=1)
    return np.sqrt(np.mean(pairs**2, axis=1) / 2.0 / allan_variance(kind, 1, n))


def wrong(scatters, n, factor):
    """Return how often the lower and the upper end are wrong, in %."""
    low, high = Scatter(1.0, max(1.0, factor * (n - 1))).ends()
    ends = np.mean(low * scatters > 1.0), np.mean(high * scatters < 1.0)
    return 100.0 * np.array(ends)


def main(arguments=None):
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args(arguments)
    rng = seeded_generator(asked.seed)
    found = {
        (kind, n): over_truth(kind, rng, asked.runs, n)
        for kind in ("white FM", "flicker FM")
        for n in READINGS
    }
    print("miss: root mean square of 2.5 % at each end, in points; white FM: lower and")
    print("upper end wrong in %, by readings; flicker FM: the miss alone")
    print("  factor    miss flicker" + "".join(f"{n:>7} low    up" for n in READINGS))
    misses = {}
    for factor in FACTORS:
        both = {at: wrong(one, at[1], factor) for at, one in found.items()}
        miss = {
            kind: float(
                np.sqrt(np.mean([(both[kind, n] - 100 * RATE) ** 2 for n in READINGS]))
            )
            for kind in ("white FM", "flicker FM")
        }
        misses[factor] = miss["white FM"]
        print(
            f"{factor:8.3f}{miss['white FM']:8.2f}{miss['flicker FM']:8.2f}"
            + "".join("{:11.2f}{:6.2f}".format(*both["white FM", n]) for n in READINGS)
        )
    best = min(misses, key=misses.get)
    near = [f"{one:.3f}" for one, x in misses.items() if x <= misses[best] + WITHIN]
    print(f"within {WITHIN:g} points of the least: {', '.join(near)}")
    print(f"found: factor {best:.3f}")
    return best


if __name__ == "__main__":
    main()
