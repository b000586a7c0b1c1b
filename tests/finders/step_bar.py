"""Find the bar, the level and the learning of the step watch from scratch.

Model: the noises of tests/analysis/test_steps.py, 8,000 readings, without a step and
with one of 15 or 8 standard deviations of differences over 32 readings; its ramp and
its wave of an hour.
Criterion: that test's, no step where there is none, and every clear one, of 15, found
once; here as figures: at most 1 alarm in a million readings of any kind of noise, ramp
or wave, then the most clear steps found. The figures are the finder's own.
Grid: bar 7 to 19 by 2, level 0.1 to 0.8, learnt distances 6 to 96; one after another.
3 minutes.

    python tests/finders/step_bar.py [--runs N] [--seed S]
"""

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from noise_makers import KINDS, make
from seeds import seeded_generator

from benchlog.analysis.steps import StepWatch

READINGS, AT, SIZES = 8_000, 5_003, (15.0, 8.0)
GRID = {
    "bar": (7.0, 9.0, 11.0, 13.0, 15.0, 17.0, 19.0),
    "level": (0.1, 0.2, 0.4, 0.8),
    "least_known": (6, 12, 24, 48, 96),
}
MOST = 1.0


def alarms(values, choice):
    """Return how many steps are told."""
    watch = StepWatch(**choice)
    told = (watch.feed(float(t), value) for t, value in enumerate(values))
    return sum(step is not None for step in told)


def figures(noise, stepped, ramps, choice):
    """Return alarms in a million readings, worst kind; on ramps; shares found once."""
    worst = max(np.mean([alarms(y, choice) for y in runs]) for runs in noise)
    ramp = np.mean([alarms(y, choice) for y in ramps])
    once = [np.mean([alarms(y, choice) == 1 for y in size]) for size in stepped]
    return 1e6 * worst / READINGS, 1e6 * ramp / READINGS, *(float(one) for one in once)


def main(arguments=None):
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args(arguments)
    rng = seeded_generator(asked.seed)
    made = [make(kind, rng, asked.runs, READINGS) for kind in KINDS]
    after, t = np.arange(READINGS) >= AT, np.arange(READINGS)
    stepped = [
        [
            (y + after * size * np.std(y[:-32] - y[32:])).tolist()
            for runs in made
            for y in runs[: max(1, asked.runs // 4)]
        ]
        for size in SIZES
    ]
    slow = (1e-4 * t, 0.5 * np.sin(2 * np.pi * t / 3_600))
    ramps = [(0.002 * y + slow[i % 2]).tolist() for i, y in enumerate(made[1])]
    noise = [runs.tolist() for runs in made]
    print(
        "alarms in a million readings of noise, of ramps and waves; steps found, in %"
    )
    best = {}
    for name, grid in GRID.items():
        print(f"{name:>12}   noise   ramps   of 15    of 8")
        passed = {}
        for one in grid:
            false, ramp, once, small = figures(noise, stepped, ramps, {name: one})
            shares = f"{100 * once:8.1f}{100 * small:8.1f}"
            print(f"{one:12g}{false:8.2f}{ramp:8.2f}{shares}")
            if max(false, ramp) <= MOST:
                passed[one] = once
        best[name] = max(passed, key=passed.get) if passed else None
    print("found: " + ", ".join(f"{name} {one}" for name, one in best.items()))
    return best


if __name__ == "__main__":
    main()
