"""The intervals of characteristics hold what was simulated; a thinned campaign.

The whole one is `python tests/analysis/characteristics/campaign.py`; its last table is
kept in CHARACTERISTICS.md.
"""

import numpy as np
import pytest
from analysis.characteristics.campaign import NOISES, campaign
from seeds import seeded_generator

from benchlog.analysis.characteristics.changes import (
    changes_from,
    steepest,
)
from benchlog.analysis.characteristics.dips import activity_dips
from benchlog.analysis.characteristics.hysteresis import hysteresis
from benchlog.analysis.characteristics.over_time import (
    Looks,
    retrace,
    start_up,
    warm_up,
)
from benchlog.analysis.characteristics.points import Found, Points, means_of_turns
from benchlog.analysis.characteristics.pulling import absolute_pull_range, pulling
from benchlog.analysis.characteristics.sweep import Sweep
from benchlog.errors import DataError

FEWEST = 0.88  # of 150 devices where 95 % hold: 3.9 standard deviations below


def points(at, ppm, t_s=None, u=1e-3):
    at = np.asarray(at, float)
    t_s = np.arange(len(at), dtype=float) if t_s is None else np.asarray(t_s, float)
    ppm = np.asarray(ppm, float)
    return Points(t_s=t_s, at=at, offset_ppm=ppm, u_ppm=np.full(len(at), u))


@pytest.mark.parametrize("noise", NOISES)
def test_intervals_hold(noise):
    shares = campaign(150, 5, noise)
    assert shares.pop("dip told falsely") <= 0.04
    assert shares.pop("dip found") >= 0.95
    assert min(shares.values()) >= FEWEST, shares


def test_drift_between_two_references_is_not_the_places_doing():
    reference = points([25, 25], [0.0, 1.0], [0, 10])
    changed = changes_from(
        points([50, 50, 50], [2.5, 3.0, 5.0], [5, 10, 20]), reference
    )
    assert changed.offset_ppm == pytest.approx([2.0, 2.0, 4.0])


def test_the_steepest_slope_is_between_neighbours():
    found = steepest(points([20, 0, 10, 20], [3.0, 0.0, 0.5, 3.2]))
    assert (found.value, found.at) == (pytest.approx(0.26, abs=1e-4), 15.0)


def test_a_place_of_one_way_alone_does_not_make_a_slope_of_the_hysteresis():
    at = [30, 20, 10, 0, 0, 9, 20, 30]
    way = [0, -1, -1, -1, 0, 1, 1, 1]
    # a law of 0.01 ppm/C, and 0.2 ppm more on the way up
    ppm = [0.01 * c + 0.2 * (w > 0) for c, w in zip(at, way, strict=True)]
    assert steepest(points(at, ppm)).value > 0.1
    assert steepest(points(at, ppm), way).value == pytest.approx(0.01, abs=1e-3)


def test_hysteresis_between_places_that_are_not_quite_the_same():
    swept = points([0, 10, 20, 21, 11, 1], [1.0, 1.2, 1.4, 0.42, 0.22, 0.02])
    found = hysteresis(Sweep(swept, [1, 1, 1, -1, -1, -1]))
    assert found.value == pytest.approx(1.0, abs=0.03)


def test_a_device_starts_between_two_looks():
    """A rectangle of half 0.5: its 95 % interval is 0.95 of that, JCGM 101 6.4.2."""
    looks = Looks(
        t_s=np.array([1.0, 2.0, 3.0, 4.0]), ran=np.array([False, False, True, True])
    )
    found = start_up(looks)
    assert (found.value, found.u) == (2.5, pytest.approx(0.475))


def test_linearity_by_the_textbook():
    """y = x + x^2 / 10 on [-1, 1]: least squares, 5 points, worked out by hand.

    The line is x + 0.05; away from it 0.05, -0.025, -0.05, -0.025, 0.05 of 2 in all.
    """
    volts = np.array([-1, -0.5, 0, 0.5, 1.0])
    found = pulling(
        points(volts, volts + volts**2 / 10, u=1e-9), points([0.0], [0.0], u=1e-9)
    )
    assert found.linearity.value == pytest.approx(2.5, abs=1e-4)
    assert found.slope.value == pytest.approx(1.0)
    assert found.least.value == pytest.approx(0.9)
    assert absolute_pull_range(found.least, 0.7).value == pytest.approx(0.2)


def test_ends_that_pull_the_same_way_leave_nothing():
    volts = np.array([-1, -0.5, 0, 0.5, 1.0])
    assert pulling(points(volts, volts**2), points([0.0], [0.0])).least.value == 0


def test_two_dips_are_both_told():
    rng = seeded_generator(3)
    at = np.tile(np.linspace(-40, 85, 26), 2)
    dips = 0.2 * np.exp(-0.5 * ((at + 10) / 3) ** 2)
    dips = dips + 0.1 * np.exp(-0.5 * ((at - 50) / 3) ** 2)
    law = 1e-5 * (at - 25) ** 3
    seen = points(at, law - dips + rng.normal(size=52) * 0.01, u=0.01)
    found = activity_dips(seen).dips
    assert [round(one.at_c, -1) for one in found] == [-10, 50]
    assert all(one.size_ppm < 0 for one in found)


@pytest.mark.parametrize(
    "deed",
    [
        lambda: means_of_turns([np.array([1.0])]),
        lambda: changes_from(points([1], [1]), points([], [])),
        lambda: steepest(points([1, 1], [1, 2])),
        lambda: hysteresis(Sweep(points([0, 1, 5, 6], [0] * 4), [1, 1, -1, -1])),
        lambda: activity_dips(points(range(9), range(9))),
        lambda: start_up(Looks(t_s=np.array([1.0]), ran=np.array([False]))),
        lambda: warm_up(points([0, 0], [5, 5]), Found(value=0, u=0.1, unit="ppm"), 0.5),
        lambda: retrace(points([], []), points([1], [1])),
        lambda: pulling(points([1, 2, 3], [1, 2, 3]), points([2], [2])),
        lambda: points([1, np.nan], [1, 2]),
    ],
)
def test_what_is_too_little_is_told(deed):
    with pytest.raises(DataError):
        deed()
