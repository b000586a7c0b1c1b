"""Which device is steadier: how often it is told falsely of alike ones, and rightly.

`python tests/verdict/test_steadier.py` prints the table kept in `STEADIER.md`: pairs of
alike devices under each noise, measured apart and at the same time.
"""

import argparse
import sys
from itertools import product
from pathlib import Path

import numpy as np
import pytest
from scipy.special import fdtri

sys.path.insert(0, str(Path(__file__).parent.parent))

from noise_makers import allan_variance, make
from seeds import seeded_generator
from tiers import seldom

from benchlog.analysis.pairing import Pairs
from benchlog.analysis.stability.gate_scatter import gate_scatter
from benchlog.analysis.stats import AvarPoint, RunStats
from benchlog.verdict.run.steadiness import is_slow, steadiness

READINGS = (40, 300, 1000)
NOISES = {
    "white PM": ("white PM", None, 0.0),
    "white FM": ("white FM", None, 0.0),
    "flicker FM": ("flicker FM", None, 0.0),
    "random-walk FM": ("random-walk FM", None, 0.0),
    "white PM + 2 white FM": ("white PM", "white FM", 2.0),
    "white PM + 5 flicker FM": ("white PM", "flicker FM", 5.0),
    "white PM + 20 flicker FM": ("white PM", "flicker FM", 20.0),
    "white PM + 20 random-walk FM": ("white PM", "random-walk FM", 20.0),
    "white FM + 0.5 flicker FM": ("white FM", "flicker FM", 0.5),
    "white FM + 2 flicker FM": ("white FM", "flicker FM", 2.0),
    "white FM + 2 random-walk FM": ("white FM", "random-walk FM", 2.0),
}


def noise(name, rng, runs, n):
    """Return offsets, shape (runs, n); a second noise by its share at the length."""
    first, second, ratio = NOISES[name]
    found = make(first, rng, runs, n)
    if second is not None:
        level = ratio * allan_variance(first, n, n) / allan_variance(second, n, n)
        found = found + np.sqrt(level) * make(second, rng, runs, n)
    return found


def stats_of(y):
    """Return the figures of runs that the comparison needs, as a judge has them."""
    runs, n = y.shape
    t = np.arange(n) - (n - 1) / 2.0
    flat = y - y.mean(axis=1, keepdims=True)
    flat = flat - np.outer(flat @ t / (t @ t), t)
    rms = np.sqrt((flat**2).sum(axis=1) / (n - 2))
    twos = (y[:, 1:] + y[:, :-1]) / 2.0
    first = np.mean(np.diff(y, axis=1) ** 2, axis=1) / 2.0
    second = np.mean((twos[:, 2:] - twos[:, :-2]) ** 2, axis=1) / 2.0
    return [
        RunStats(
            n=n,
            gate_s=1.0,
            tau0_s=1.0,
            jitter_ppm_rms=float(rms[k]),
            avar=(
                AvarPoint(1, 1.0, n - 1, float(first[k])),
                AvarPoint(2, 2.0, n - 3, float(second[k])),
            ),
        )
        for k in range(runs)
    ]


def told(name, rng, runs, n, *, paired, times=1.0):
    """Return what is told of each pair: 1 where B scatters more, -1 less."""
    a, b = noise(name, rng, runs, n), times * noise(name, rng, runs, n)
    t = np.arange(n, dtype=float)
    return np.array(
        [
            steadiness(one, other, Pairs(t, a[k], b[k], 1.0) if paired else None).told
            for k, (one, other) in enumerate(zip(stats_of(a), stats_of(b), strict=True))
        ]
    )


def f_test_of_rms(name, rng, runs, n):
    """Return how often an F test of the rms about a line tells a difference."""
    rms = [
        np.array([one.jitter_ppm_rms for one in stats_of(noise(name, rng, runs, n))])
        for _ in range(2)
    ]
    ratio = (rms[1] / rms[0]) ** 2
    low, high = (fdtri(n - 2, n - 2, p) for p in (0.025, 0.975))
    return float(np.mean((ratio < low) | (ratio > high)))


FEW = {
    *(("white PM", False), ("random-walk FM", False)),
    ("white FM + 2 flicker FM", True),
}
"""Noises of every suite: the plain ones, and the mixture that is told most often."""


@pytest.mark.parametrize(
    ("name", "paired"),
    [
        one if one in FEW else seldom(*one)
        for name in NOISES
        for one in ((name, False), (name, True))
    ],
)
def test_alike_devices_are_seldom_told_apart(name, paired):
    """At most 5 % and four standard deviations of the count; 15 to 59 % before."""
    runs = 300
    for n in (40, 300):
        found = told(name, seeded_generator(n), runs, n, paired=paired)
        assert np.mean(found != 0) <= 0.05 + 4 * (0.05 * 0.95 / runs) ** 0.5, n


@pytest.mark.parametrize("name", ["white PM", "white FM"])
@pytest.mark.parametrize("paired", [False, True])
def test_a_device_that_scatters_half_more_is_told(name, paired):
    found = told(name, seeded_generator(2), 200, 100, paired=paired, times=1.5)
    assert np.mean(found == 1) > 0.65
    assert not np.any(found == -1)


def test_nothing_is_told_of_flicker():
    assert all(
        is_slow(one)
        for one in stats_of(noise("flicker FM", seeded_generator(4), 20, 1000))
    )
    found = told("flicker FM", seeded_generator(3), 50, 1000, paired=False, times=2.0)
    assert not found.any()


@pytest.mark.parametrize(
    ("name", "edf"), [("white PM", 0.5143), ("white FM", 2 / 3), ("random-walk FM", 1)]
)
def test_the_freedom_of_a_pair_of_neighbours(name, edf):
    """1/(1 + 2 sum rho^2): correlations -2/3, 1/6 of white PM, -1/2 of white FM."""
    rng = seeded_generator(6)
    found = [gate_scatter(one) for one in stats_of(noise(name, rng, 20, 20_000))]
    assert np.mean([one.per_pair for one in found]) == pytest.approx(edf, abs=0.03)
    scatters = np.diff(noise(name, rng, 4000, 60), axis=1) ** 2
    mean = scatters.mean(axis=1)
    by_simulation = 2 * mean.mean() ** 2 / mean.var() / 59
    assert edf == pytest.approx(by_simulation, rel=0.1)


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=4000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    rng = seeded_generator(asked.seed)
    print("told steadier though alike, in %: by an F test of the rms about a line,")
    print(
        "by Allan deviations at the gate, apart and pair by pair; told rightly apart,"
    )
    print("in %, where one scatters 1.5 times as much")
    for name, n in product(NOISES, READINGS):
        before = f_test_of_rms(name, rng, asked.runs, n)
        apart, paired = (
            np.mean(told(name, rng, asked.runs, n, paired=one) != 0)
            for one in (False, True)
        )
        right = np.mean(told(name, rng, asked.runs, n, paired=False, times=1.5) == 1)
        print(
            f"{name:30}{n:6,}{100 * before:8.1f}{100 * apart:8.1f}{100 * paired:8.1f}"
            f"{100 * right:8.1f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
