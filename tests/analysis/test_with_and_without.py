"""Figures of all readings and of those without outliers: once, while they are alike."""

from dataclasses import fields
from itertools import pairwise

import numpy as np
import pytest
from columns_maker import columns, part_of
from hypothesis import given, settings
from hypothesis import strategies as st
from seeds import seeded_generator
from tiers import seldom

from benchlog.analysis.outliers import WithAndWithout, WithoutOutliers
from benchlog.analysis.running import Running
from benchlog.analysis.stats import RunStats
from benchlog.errors import DataError
from benchlog.model import Flag

NOMINAL_HZ = 16e6
FLOOR_PPM = 5.0
FLAGS = (Flag.GAP_BEFORE, Flag.SETTLING, Flag.SUSPECT, Flag.TURN)


def run_of(n, odd=(), flagged=(), seed=1):
    """Return readings of a quiet device; some far off, some with flags."""
    ppm = 0.1 * seeded_generator(seed).standard_normal(n)
    ppm[[at for at in odd if at < n]] += 50.0
    flags = np.zeros(n, dtype=np.int64)
    for at, flag in flagged:
        if at < n:
            flags[at] |= int(flag)
    return columns(NOMINAL_HZ * (1 + 1e-6 * ppm), flags=flags)


def figures(stats: RunStats | None):
    if stats is None:
        return None
    found = [getattr(stats, one.name) for one in fields(RunStats)]
    numbers = [one for one in found if isinstance(one, int | float)]
    return [*numbers, *(point.avar for point in (*stats.avar, *stats.bridged))]


@pytest.mark.parametrize("examples", [15, seldom(60)])
def test_both_are_what_each_is_alone(examples):
    @settings(max_examples=examples, deadline=None)
    @given(
        n=st.integers(1, 1500),
        cuts=st.sets(st.integers(1, 1499), max_size=8),
        asked=st.sets(st.integers(0, 8), max_size=2),
        odd=st.sets(st.integers(0, 1499), max_size=2),
        flagged=st.sets(
            st.tuples(st.integers(0, 1499), st.sampled_from(FLAGS)), max_size=4
        ),
    )
    def of(n, cuts, asked, odd, flagged):
        whole = run_of(n, odd, flagged)
        both = WithAndWithout(NOMINAL_HZ, 1.0, FLOOR_PPM)
        alone = Running(NOMINAL_HZ), WithoutOutliers(NOMINAL_HZ, 1.0, FLOOR_PPM)
        edges = sorted({0, n, *(cut for cut in cuts if cut < n)})
        for number, (start, end) in enumerate(pairwise(edges)):
            part = part_of(whole, start, end)
            both.feed(part)
            for one in alone:
                one.feed(part)
            if number in asked or end == n:
                every, rest = both.apart()
                assert figures(every.stats()) == figures(
                    alone[0].stats()
                )  # bit for bit
                found, expected = rest.found(), alone[1].found()
                assert (found is None) == (expected is None)
                if found is not None and expected is not None:
                    assert found[0] == expected[0]
                    assert figures(found[1]) == pytest.approx(
                        figures(expected[1]), rel=1e-10, abs=1e-12
                    )

    of()


@pytest.mark.parametrize(("odd", "times"), [((), 1), ((9_001,), 2)])
def test_one_pass_is_enough_while_nothing_is_marked(monkeypatch, odd, times):
    fed = []
    plain = Running.feed
    monkeypatch.setattr(
        Running, "feed", lambda self, one: (fed.append(len(one)), plain(self, one))
    )
    whole = run_of(16_000, odd)
    both = WithAndWithout(NOMINAL_HZ, 1.0, FLOOR_PPM)
    for start in range(0, 16_000, 1_000):
        both.feed(part_of(whole, start, start + 1_000))
    both.apart()
    if times == 1:
        assert sum(fed) <= 16_000 + 1_000
    else:
        assert 16_000 + 6_000 <= sum(fed) <= 16_000 + 8_000


def test_what_is_no_frequency_does_not_wait():
    both = WithAndWithout(NOMINAL_HZ, 1.0, FLOOR_PPM)
    both.feed(run_of(300))
    with pytest.raises(DataError):
        both.feed(columns([NOMINAL_HZ, np.nan]))
    assert both.apart()[0].stats().n == 300
