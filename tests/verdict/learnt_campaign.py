"""How often U holds where it rests on a soak.

Each trial is a soak of 12 T and, of another device of the same noise, a run of T with
the equally long stretch that follows. The claim is that of a mean: that stretch's mean
lies within sqrt(2) U of the run's in 95 %. A drift is in the run's device alone, in
units of the noise's Allan deviation at T. `LEARNT.md` keeps the table.
"""

import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.special import stdtrit

sys.path.insert(0, str(Path(__file__).parent.parent))

from noise_makers import allan_variance, make
from seeds import seeded_generator

from benchlog.analysis.even_drift import drift_of
from benchlog.analysis.phase_blocks import PhaseBlocks
from benchlog.analysis.stats import AvarPoint, RunStats
from benchlog.analysis.uncertainty import mean_uncertainty
from benchlog.verdict.run.budget import BudgetLine, budget_of, drift_line
from benchlog.verdict.soak.learnt_stability import learnt_from_soak, rest_of

NOISES = (
    ("white FM", None, 0.0),
    ("flicker FM", None, 0.0),
    ("white FM", "random-walk FM", 2.0),
    ("white PM", "flicker FM", 5.0),
)
SPANS, LENGTHS, RUNS, SEED = 12, (100, 300), 2000, 1412
DRIFTS = (3.0, 10.0, 30.0)


@dataclass(frozen=True)
class Found:
    """Shares of runs, and the median half-width over the true one."""

    held: float
    width: float
    departed: float
    drifted: float


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
            phase_blocks=blocks_of(x[row]),
        )
        for row in range(len(y))
    ]


def blocks_of(phases):
    blocks = PhaseBlocks()
    blocks.feed(phases)
    return blocks.found()


def half_width(rest, stats, own):
    """Return U as the judge has it, with a line of a drift where there is one."""
    drift = None if rest.rests_on else drift_of(stats, own)
    mean = rest.mean if drift is None else drift[1]
    if drift is None:
        return stdtrit(mean.degrees_of_freedom, 0.975) * mean.u_ppm
    noise = BudgetLine(
        name="statistics",
        u_ppm=mean.u_ppm,
        degrees_of_freedom=mean.degrees_of_freedom,
        distribution="t",
    )
    return budget_of((noise, drift_line(drift[0], stats.span_s))).expanded_ppm


def taught(stats):
    soak = {"run_id": 1, "device": "S", "began_utc_ns": 0, "ended_utc_ns": 0}
    return learnt_from_soak(stats, **soak)


def coverage(kind, n, runs=RUNS, *, seed=SEED, scale=1.0, drift=0.0):
    """Return how often U holds and how wide it is, and what is told of the runs.

    `scale` is how many times as noisy the run's device is as the soaked one.
    """
    rng = seeded_generator(seed + n)
    held, widths, squares, departed, drifted = [], [], [], 0, 0
    for at in range(0, runs, 200):
        some = min(200, runs - at)
        soaks = stats_of(noise(kind, rng, some, SPANS * n, n))
        y = scale * noise(kind, rng, some, SPANS * n, n)[:, : 2 * n]
        apart = y[:, n:].mean(axis=1) - y[:, :n].mean(axis=1)
        step = drift * np.sqrt(np.mean(apart**2) / 2.0)
        y, apart = y + step * np.arange(2 * n) / n, apart + step
        for row, (soak, run) in enumerate(zip(soaks, stats_of(y[:, :n]), strict=True)):
            own = mean_uncertainty(run)
            rest = rest_of(taught(soak), run, own)
            half = np.sqrt(2) * half_width(rest, run, own)
            held.append(abs(apart[row]) <= half)
            widths.append(half)
            squares.append(apart[row] ** 2)
            told = "drifts" in rest.departure
            drifted += told
            departed += bool(rest.departure) and not told
    true_half = 1.96 * np.sqrt(np.mean(squares))
    width = float(np.median(widths) / true_half)
    return Found(float(np.mean(held)), width, departed / runs, drifted / runs)


def name(kind):
    return kind[0] if kind[1] is None else f"{kind[0]} + {kind[2]:g} {kind[1]}"


def main(runs):
    print("| noise | n | held | width | departs | drifts | departs at 3 times |")
    print("|---|---|---|---|---|---|---|")
    for kind in NOISES:
        for n in LENGTHS:
            one = coverage(kind, n, runs)
            loud = coverage(kind, n, max(200, runs // 10), scale=3.0)
            print(
                f"| {name(kind)} | {n} | {100 * one.held:.1f} % | {one.width:.2f} | "
                f"{100 * one.departed:.1f} % | {100 * one.drifted:.1f} % | "
                f"{100 * (loud.departed + loud.drifted):.0f} % |",
                flush=True,
            )
    print("\n| noise | n | drift | held | width | drifts |\n|---|---|---|---|---|---|")
    for kind in NOISES[:2]:
        for drift in DRIFTS:
            one = coverage(kind, 100, max(200, runs // 3), drift=drift)
            print(
                f"| {name(kind)} | 100 | {drift:g} | {100 * one.held:.1f} % | "
                f"{one.width:.2f} | {100 * one.drifted:.0f} % |",
                flush=True,
            )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else RUNS)
