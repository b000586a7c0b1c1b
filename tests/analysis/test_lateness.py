"""One-sided stamps: told by the run, taken out by its earliest, and a changing load.

The table of `pulse_coverage.md` is made by `pulse_campaign.py`; a thinned one is here.
"""

import numpy as np
import pytest
from pulse_campaign import CELLS, JITTER_S, OFFSET, figures, stays, train
from seeds import seeded_generator
from tiers import seldom

from benchlog.analysis.pulses.growing_scatter import scatter_slope
from benchlog.analysis.pulses.lateness import (
    Stamps,
    late_shares,
    one_sided,
    windows,
)
from benchlog.analysis.pulses.slope import fit_slope
from benchlog.analysis.pulses.trains import against_host


def stamps_of(delay):
    t = np.arange(float(len(delay)))
    return Stamps.about(t, -delay, np.zeros(len(delay), np.int64), 1.0)


@pytest.mark.parametrize(
    ("cell", "n", "least"),
    [
        # before: 8, 4, 24 and 34 % held
        seldom("growing delay", 100, 0.84),
        ("two-sided", 300, 0.86),
        pytest.param("growing delay", 300, 0.86, marks=pytest.mark.campaign),
        pytest.param("growing share late", 300, 0.86, marks=pytest.mark.campaign),
        pytest.param("growing share, 20 % lost", 300, 0.86, marks=pytest.mark.campaign),
    ],
)
def test_the_interval_holds_whatever_the_load_does(cell, n, least):
    # 60 runs: 0.95 is stated, its own scatter is 0.028
    held, _, _ = figures(CELLS[cell], n, 60, seeded_generator(21))
    assert held / 100 > least


@pytest.mark.parametrize(
    ("cell", "n"),
    [
        ("growing delay", 25),
        seldom("growing delay", 60),
        seldom("growing share late", 60),
    ],
)
def test_a_run_too_short_to_show_late_stamps_shows_that_their_scatter_grows(cell, n):
    # before: 78, 74 and 90 of 100 held; 95 is stated, its own scatter is 2.2
    held, _, _ = figures(CELLS[cell], n, 100, seeded_generator(27))
    assert held >= 90


@pytest.mark.parametrize("cell", ["two-sided", "one-sided", seldom("half stays")])
def test_a_scatter_that_stays_as_it_is_costs_nothing(cell):
    rng = seeded_generator(28)
    found = [
        against_host(train(np.arange(40.0), CELLS[cell].delay(40, rng), 0.0, rng))
        for _ in range(100)
    ]
    assert np.mean([one.later_by != 0 for one in found]) <= 0.12  # 0.05 is stated
    wider = [one.line.u / one.fit.u for one in found]
    assert np.median(wider) == 1.0


def test_the_source_of_a_growing_scatter_may_be_slow_or_fast():
    rng = seeded_generator(29)
    delay = CELLS["growing delay"].delay(60, rng)
    grows, falls = (
        scatter_slope(t, fit_slope(t, -x, np.zeros(60, np.int64)))
        for t, x in ((np.arange(60.0), delay), (np.arange(60.0), delay[::-1]))
    )
    # the mean delay grows by 2 over 60 stamps
    assert grows == pytest.approx(2 / 60, rel=0.5)
    assert falls == pytest.approx(-grows)


def test_short_quiet_runs_are_not_charged_a_walk_that_nobody_saw():
    # 25 pulses, 0.4 ms: 1.85 times the ideal before
    held, _, over_white = figures(CELLS["two-sided"], 25, 150, seeded_generator(22))
    assert over_white < 1.7
    assert held >= 93


@pytest.mark.parametrize("made", [CELLS["two-sided"].delay, stays(0.5), stays(0.9)])
def test_two_sided_stamps_of_any_colour_are_not_called_late(made):
    rng = seeded_generator(23)
    called = [one_sided(stamps_of(made(300, rng))) for _ in range(100)]
    assert np.mean(called) <= 0.07  # 1 in 50 is stated; 100 runs


def test_stamps_that_come_late_are():
    rng = seeded_generator(24)
    late = [one_sided(stamps_of(CELLS["one-sided"].delay(150, rng))) for _ in range(40)]
    early = [
        one_sided(stamps_of(-CELLS["one-sided"].delay(150, rng))) for _ in range(40)
    ]
    assert np.mean(late) > 0.9
    assert np.mean(early) <= 0.05


def test_the_edge_of_exponential_delays_has_no_bias():
    # of five exponential delays of mean 1 the earliest comes 1/5 late and the next
    # 1/4 after it (order statistics of the exponential: Renyi, from memory)
    rng = seeded_generator(25)
    found = windows(stamps_of(rng.exponential(1.0, 50_000)), 5.0)
    assert found.error_s[:, 0].mean() == pytest.approx(-0.2, abs=0.01)
    assert found.gap_s.mean() == pytest.approx(0.25, abs=0.01)
    assert found.edge_s.mean() == pytest.approx(0.05, abs=0.015)


def test_a_share_of_late_stamps_that_changes_is_told():
    rng = seeded_generator(26)

    def told(cell):
        return late_shares(windows(stamps_of(CELLS[cell].delay(600, rng)), 5.0))

    grows = [told("growing share late") for _ in range(20)]
    assert np.mean([one.changed for one in grows]) > 0.9
    assert all(one.shares[-1] > one.shares[0] for one in grows)
    steady = [told("one-sided") for _ in range(100)]
    assert sum(one is not None and one.changed for one in steady) <= 2


def test_a_stamp_far_too_early_is_no_edge():
    rng = seeded_generator(27)
    delay = CELLS["one-sided"].delay(300, rng)
    delay[150] = -200.0  # 80 ms early, of 1 s apart
    found = against_host(train(np.arange(300) / (1 + OFFSET), delay, 0.0, rng))
    assert found.earliest is not None
    assert abs(found.offset - OFFSET) < 3 * found.line.u
    assert found.line.u < 0.1 * JITTER_S
