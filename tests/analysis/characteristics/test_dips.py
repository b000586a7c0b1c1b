"""Activity dips are found beside a hysteresis, and none is told that is not there.

The whole campaign is `python tests/analysis/characteristics/dip_campaign.py`; its last
table is kept in DIPS.md.
"""

import numpy as np
import pytest
from analysis.characteristics.campaign import Device
from analysis.characteristics.dip_campaign import (
    NOISE,
    U_PPM,
    deep,
    device_points,
    found,
    found_of_promised,
    told_falsely,
)
from seeds import seeded_generator
from tiers import seldom

from benchlog.analysis.characteristics.dips import FALSE_ALARMS, activity_dips
from benchlog.analysis.characteristics.points import Points
from benchlog.analysis.characteristics.smooth_law import basis_of, law_terms
from benchlog.simulate.physics.rack_device import DipSpec


@pytest.mark.parametrize(("devices", "least"), [(15, 0.93), seldom(60, 0.95)])
def test_dips_are_found_where_hysteresis_opens_after_each_turn(devices, least):
    """With a law that had no memory of turns, 23 of 60 were found."""
    assert found(devices, seeded_generator(1), "exponential", 9) >= least


@pytest.mark.parametrize(
    ("devices", "depth_u", "least"),
    [(15, 20, 0.93), seldom(60, 20, 0.95), seldom(60, 70, 0.95)],
)
def test_a_deep_dip_is_told_once_with_its_depth(devices, depth_u, least):
    """Before: 3 and 4 dips were told, and depths off by several times their U."""
    once, held = deep(devices, seeded_generator(4), "exponential", depth_u)
    assert once >= least
    assert held >= 0.85


def test_two_dips_are_two():
    device = Device(seeded_generator(5), NOISE)
    dips = [
        DipSpec(at_c=at, depth_ppm=deep_u * U_PPM, width_c=4.0)
        for at, deep_u in ((0.0, 50), (50.0, 25))
    ]
    told = activity_dips(device_points(device, 25, "exponential", dips)).dips
    assert [one.at_c for one in told] == [
        pytest.approx(0, abs=1),
        pytest.approx(50, abs=1),
    ]


@pytest.mark.parametrize(
    ("devices", "most", "opening"),
    [
        (30, 2, "exponential"),
        *(seldom(100, 4, one) for one in ("exponential", "plays", "bow")),
    ],
)
def test_no_dip_is_told_of_devices_without(devices, most, opening):
    """More than 4 of 100, or 2 of 30, come in 0.3 % of tests at 1 %."""
    assert told_falsely(devices, seeded_generator(2), opening) <= most / devices
    assert FALSE_ALARMS == 0.01


@pytest.mark.parametrize(("devices", "least"), [(15, 0.9), seldom(60, 0.93)])
def test_what_is_promised_where_none_is_told_would_be_found(devices, least):
    """Each device again, with a dip as deep as the search told without any."""
    assert found_of_promised(devices, seeded_generator(3), "exponential") >= least


def test_the_law_takes_a_hysteresis_that_opens_at_any_pace():
    """What is left of an opening by one exponential is 1 % of it, at most."""
    at = np.concatenate([np.linspace(85, -40, 25), np.linspace(-40, 85, 25)])
    here = Points(
        t_s=np.arange(50.0), at=at, offset_ppm=np.zeros(50), u_ppm=np.ones(50)
    )
    basis = basis_of(law_terms(here))
    for forgets_c in (6.0, 10.0, 15.0, 25.0, 40.0):
        falling = 2 * np.exp(-(85 - at[:25]) / forgets_c) - 1
        rising = 1 - (1 - falling[-1]) * np.exp(-(at[25:] + 40) / forgets_c)
        opened = np.concatenate([falling, rising])
        left = opened - basis @ (basis.T @ opened)
        assert np.abs(left).max() < 0.01
