"""How often U holds where it rests on a soak.

Each trial is a soak of 12 T and, of another device of the same noise, a run of T with
the equally long stretch that follows. The claim is that of a mean: that stretch's mean
lies within t sqrt(2) u of the run's in 95 %. `LEARNT.md` keeps the table.
"""

import sys
from pathlib import Path

import numpy as np
from scipy.special import stdtrit

sys.path.insert(0, str(Path(__file__).parent.parent))

from noise_makers import allan_variance, make
from seeds import seeded_generator

from benchlog.analysis.stats import AvarPoint, RunStats
from benchlog.analysis.uncertainty import mean_uncertainty
from benchlog.verdict.soak.learnt_stability import learnt_from_soak, rest_of

NOISES = (
    ("white FM", None, 0.0),
    ("flicker FM", None, 0.0),
    ("white FM", "random-walk FM", 2.0),
    ("white PM", "flicker FM", 5.0),
)
SPANS, LENGTHS, RUNS, SEED = 12, (100, 300), 2000, 1412


def noise(kind, rng, runs, n, at):
    """Return rows of noise; the second has `ratio` times the first's variance at T."""
    first, second, ratio = kind
    y = make(first, rng, runs, n)
    if second is None:
        return y
    level = ratio * allan_variance(first, at, n) / allan_variance(second, at, n)
    return y + np.sqrt(level) * make(second, rng, runs, n)


def stats_of(y):
    """Return per row what `Running` would have found: Allan variances at octaves."""
    n = y.shape[1]
    x = np.concatenate([np.zeros((len(y), 1)), np.cumsum(y, axis=1)], axis=1)
    points, m = [], 1
    while 2 * m <= n:
        apart = (x[:, 2 * m :] - 2 * x[:, m:-m] + x[:, : -2 * m]) / m
        points.append((m, apart.shape[1], (apart**2).mean(axis=1) / 2))
        m *= 2
    t = np.arange(n) - (n - 1) / 2
    slopes = y @ t / (t @ t)
    return [
        RunStats(
            n=n,
            span_s=float(n),
            tau0_s=1.0,
            gate_s=1.0,
            slope_ppm_per_s=float(slopes[row]),
            bridged=tuple(
                AvarPoint(m, float(m), pairs, float(avar[row]))
                for m, pairs, avar in points
            ),
        )
        for row in range(len(y))
    ]


def taught(stats):
    soak = {"run_id": 1, "device": "S", "began_utc_ns": 0, "ended_utc_ns": 0}
    return learnt_from_soak(stats, **soak)


def coverage(kind, n, runs=RUNS, seed=SEED, scale=1.0):
    """Return shares held and departing, and the median width to the true one.

    `scale` is how many times as noisy the run's device is as the soaked one.
    """
    rng = seeded_generator(seed + n)
    held, widths, squares, gone = [], [], [], 0
    for at in range(0, runs, 200):
        some = min(200, runs - at)
        soaks = stats_of(noise(kind, rng, some, SPANS * n, n))
        y = scale * noise(kind, rng, some, SPANS * n, n)[:, : 2 * n]
        for row, (soak, run) in enumerate(zip(soaks, stats_of(y[:, :n]), strict=True)):
            rest = rest_of(taught(soak), run, mean_uncertainty(run))
            mean = rest.mean
            half = stdtrit(mean.degrees_of_freedom, 0.975) * np.sqrt(2) * mean.u_ppm
            apart = y[row, n:].mean() - y[row, :n].mean()
            held.append(abs(apart) <= half)
            widths.append(half)
            squares.append(apart**2)
            gone += bool(rest.departure)
    true_half = 1.96 * np.sqrt(np.mean(squares))
    return float(np.mean(held)), float(np.median(widths) / true_half), gone / runs


def name(kind):
    return kind[0] if kind[1] is None else f"{kind[0]} + {kind[2]:g} {kind[1]}"


if __name__ == "__main__":
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else RUNS
    print("| noise | n | held | width | told to depart | told at 3 times the noise |")
    print("|---|---|---|---|---|---|")
    for kind in NOISES:
        for n in LENGTHS:
            share, width, gone = coverage(kind, n, runs)
            _, _, told = coverage(kind, n, max(200, runs // 10), scale=3.0)
            print(
                f"| {name(kind)} | {n} | {100 * share:.1f} % | {width:.2f} | "
                f"{100 * gone:.1f} % | {100 * told:.0f} % |",
                flush=True,
            )
