"""Marking outliers in a stream, and the figures of what is left.

Hampel's identifier is held against a plain loop over sorted windows; the figures
without them against `Running` fed with the readings that are left.
"""

from itertools import pairwise

import numpy as np
import pytest
from columns_maker import columns, part_of, without
from hypothesis import given, settings
from hypothesis import strategies as st
from seeds import seeded_generator
from tiers import seldom

from benchlog.analysis.outliers import WithoutOutliers, marked
from benchlog.analysis.running import Running
from benchlog.model import Flag

NOMINAL_HZ = 16e6


def plainly(values, floor):
    n, out = len(values), []
    for i in range(n):
        start = max(0, min(i - 4, n - 9))
        window = sorted(values[start : start + 9])
        middle = window[4]
        scatter = sorted(abs(one - middle) for one in window)[4] * 1.4826
        away = abs(values[i] - middle)
        out.append(away > floor and away > 10 * scatter)
    return out


@pytest.mark.parametrize("examples", [30, seldom(100)])
def test_the_rule_is_hampel_s(examples):
    @settings(max_examples=examples)
    @given(
        st.lists(
            st.sampled_from([0.0, 0.1, -0.1, 0.2, 5.0, -7.0]), min_size=9, max_size=60
        )
    )
    def of(values):
        assert marked(np.array(values), 1.0).tolist() == plainly(values, 1.0)

    of()


def test_steps_drifts_and_too_few_are_no_outliers():
    step = np.repeat([0.0, 100.0], 20)
    drift = np.arange(40.0)
    assert not marked(step, 1.0).any()
    assert not marked(drift, 1.0).any()
    assert not marked(np.array([0.0, 0.0, 0.0, 99.0]), 1.0).any()
    assert marked(np.array([99.0, 0.0, 0.1, 0.0, 0.0]), 1.0).tolist()[0]


def noisy(n, odd, seed=1):
    f = NOMINAL_HZ * (1 + 1e-8 * seeded_generator(seed).standard_normal(n))
    f[list(odd)] *= 1.3
    return f


@settings(max_examples=15, deadline=None)
@given(
    odd=st.sets(st.integers(0, 79).map(lambda k: 9 * k), max_size=9),
    cuts=st.sets(st.integers(1, 719), max_size=12),
)
def test_what_is_left_does_not_depend_on_the_chunks(odd, cuts):
    whole = columns(noisy(720, odd))
    rest = WithoutOutliers(NOMINAL_HZ, 1.0, 1.5)
    edges = [0, *sorted(cuts), 720]
    for start, end in pairwise(edges):
        rest.feed(part_of(whole, start, end))
        rest.found()  # looking on changes nothing
    found = rest.found()
    if not odd:
        assert found is None
        return
    n, stats = found
    expected = Running(NOMINAL_HZ)
    expected.feed(without(whole, odd))
    assert n == len(odd)
    assert stats.jitter_ppm_rms == pytest.approx(
        expected.stats().jitter_ppm_rms, rel=1e-9
    )
    assert (stats.n, stats.gaps) == (720 - n, expected.stats().gaps)


def test_suspect_and_settling_readings():
    flags = [int(Flag.SETTLING)] * 3 + [0] * 20 + [int(Flag.SUSPECT)] + [0] * 6
    rest = WithoutOutliers(NOMINAL_HZ, 1.0, 1.5)
    rest.feed(columns(noisy(30, []), flags=flags))
    n, stats = rest.found()
    assert (n, stats.n) == (1, 26)
