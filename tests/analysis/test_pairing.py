"""Pairs of readings, and the ratio of scatters, against scipy's own tests."""

import math

import numpy as np
import pytest
import scipy
from seeds import seeded_generator
from tiers import seldom

from benchlog.analysis.pairing import (
    Pairs,
    difference_stats,
    pairs_of,
    ratio_apart,
    ratio_paired,
)
from benchlog.analysis.uncertainty import mean_uncertainty

NS = 10**9


def noisy(seed, n=200, correlation=0.8, ratio=1.0):
    chance = seeded_generator(seed)
    a, own = chance.normal(size=(2, n))
    b = ratio * (correlation * a + math.sqrt(1 - correlation**2) * own)
    return Pairs(np.arange(n, dtype=float), a, b, 1.0)


def test_readings_pair_once_and_only_near_ones():
    ta = np.arange(0, 40, dtype=np.int64) * NS
    tb = ta[5:] + NS // 4
    tb = np.delete(tb, [10, 11])
    found = pairs_of((ta, ta / NS), (tb, tb / NS), 0.5)
    assert found is not None
    assert len(found.t_s) == len(tb)
    assert found.share == 1.0
    assert np.all(found.b_ppm - found.a_ppm == 0.25)
    assert pairs_of((ta, ta / NS), (tb + 100 * NS, tb / NS), 0.5) is None
    assert pairs_of((ta[:9], ta[:9] / NS), (tb, tb / NS), 0.5) is None


def test_half_of_the_shorter_run_must_be_in_pairs():
    ta = np.arange(0, 100, dtype=np.int64) * NS
    tb = ta + 60 * NS
    assert pairs_of((ta, ta / NS), (tb, tb / NS), 0.5) is None
    tb = ta + 40 * NS
    found = pairs_of((ta, ta / NS), (tb, tb / NS), 0.5)
    assert found is not None and found.share == pytest.approx(0.6)


@pytest.mark.parametrize("ratio", [0.7, 1.0, 1.3])
def test_the_paired_interval_ends_where_the_test_of_pitman_and_morgan_turns(ratio):
    """B scaled by either end of the interval gives p = 5 % in the test itself.

    The test: correlation of sum and difference, Student's t (scipy's quantile).
    """
    pairs = noisy(3, ratio=ratio)
    found = ratio_paired(pairs, 2 / 3)
    steps = [np.diff(y) for y in (pairs.a_ppm, pairs.b_ppm)]
    freedom = len(steps[0]) * 2 / 3 - 2
    for end in (found.low, found.high):
        a, b = steps[0], steps[1] / end
        r = ((a + b) @ (a - b)) / math.sqrt(((a + b) @ (a + b)) * ((a - b) @ (a - b)))
        t = abs(r) * math.sqrt(freedom / (1 - r * r))
        assert 2 * scipy.stats.t.sf(t, freedom) == pytest.approx(0.05, rel=1e-6)


def test_the_interval_apart_is_that_of_the_f_test():
    found = ratio_apart(1.0, 30, 1.4, 50)
    p = [
        2 * min(scipy.stats.f.cdf(x, 50, 30), scipy.stats.f.sf(x, 50, 30))
        for x in ((1.4 / found.low) ** 2, (1.4 / found.high) ** 2)
    ]
    assert p == pytest.approx([0.05, 0.05], rel=1e-9)


# 95 % +- 4 standard deviations of a count; the mean's u allows for slow noise that is
# not there, so it holds more often
@pytest.mark.parametrize(
    ("trials", "least", "most"), [(100, 0.863, 1.0), seldom(400, 0.906, 0.994)]
)
def test_intervals_hold_as_often_as_they_say(trials, least, most):
    paired, mean = 0, 0
    for seed in range(trials):
        pairs = noisy(seed, n=60, ratio=1.5)
        ratio = ratio_paired(pairs, 2 / 3)
        paired += ratio.low <= 1.5 <= ratio.high
        stats = difference_stats(pairs)
        u = mean_uncertainty(stats)
        k = scipy.stats.t.ppf(0.975, u.degrees_of_freedom)
        mean += abs(stats.offset_ppm) <= k * u.u_ppm * 1.0001
    assert least <= paired / trials <= most
    assert mean / trials >= least


def test_what_both_share_falls_out():
    chance = seeded_generator(5)
    room = np.cumsum(chance.normal(size=300)) * 0.5
    own = chance.normal(size=(2, 300)) * 0.01
    pairs = Pairs(np.arange(300.0), room + own[0], room + own[1] + 0.1, 1.0)
    stats = difference_stats(pairs)
    assert stats.offset_ppm == pytest.approx(0.1, abs=0.005)
    assert mean_uncertainty(stats).u_ppm < 0.01


def test_missing_pairs_are_gaps():
    t = np.delete(np.arange(50.0), [20, 21])
    stats = difference_stats(Pairs(t, np.zeros(48), np.sin(t), 1.0))
    assert (stats.n, stats.gaps) == (48, 1)


def test_what_stands_still_has_no_ratio():
    t = np.arange(20.0)
    assert ratio_paired(Pairs(t, np.zeros(20), np.sin(t), 1.0), 2 / 3) is None
