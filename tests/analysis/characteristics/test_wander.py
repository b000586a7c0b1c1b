"""What moves a device between its turns is in U of hysteresis, and of changes.

The growth of flicker FM is checked against the covariance of simulated 1/f noise, and
against its own definition: neighbouring means differ by two Allan variances (IEEE Std
1139, from memory).
"""

import numpy as np
import pytest
from noise_makers import make
from seeds import seeded_generator
from tiers import seldom

from benchlog.analysis.characteristics.changes import changes_from
from benchlog.analysis.characteristics.flicker import flicker_growth
from benchlog.analysis.characteristics.hysteresis import hysteresis
from benchlog.analysis.characteristics.points import Points
from benchlog.analysis.characteristics.sweep import Sweep
from benchlog.analysis.characteristics.wander import STEADY, wanders

PLACES = np.linspace(85.0, -40.0, 25)
U_PPM = 0.0003
OPEN_PPM = 0.01
RACK = 16


def swept(rng, *, scatter=1.0, walk=0.0):
    """A way down and one up; scatter and walk (a turn) in u of a point."""
    at = np.concatenate([PLACES, PLACES[::-1]])
    x = (at - 22.5) / 62.5
    rising = np.arange(50) >= 25
    true = 0.05 * x**3 - 0.02 * x + rising * OPEN_PPM * (1 - x**2)
    noise = scatter * rng.standard_normal(50)
    noise += np.cumsum(walk * rng.standard_normal(50))
    points = Points(
        t_s=600.0 * np.arange(50),
        at=at,
        offset_ppm=true + U_PPM * noise,
        u_ppm=np.full(50, U_PPM),
    )
    return Sweep(points, np.where(rising, 1, -1))


def opened(rng, largest_ppm, over_c):
    """A quiet way down and up; after the turn the ways open by exp(-d / over_c)."""
    at = np.concatenate([PLACES, PLACES[::-1]])
    memory, kept = [], 1.0
    for moved in np.diff(at, prepend=at[0]):
        way = np.sign(moved)
        kept = way + (kept - way) * np.exp(-abs(moved) / over_c) if moved else kept
        memory.append(kept)
    true = 0.02 * ((at - 22.5) / 62.5) ** 3 + largest_ppm / 2 * np.array(memory)
    points = Points(
        t_s=600.0 * np.arange(50),
        at=at,
        offset_ppm=true + U_PPM * rng.standard_normal(50),
        u_ppm=np.full(50, U_PPM),
    )
    return Sweep(points, np.where(np.arange(50) >= 25, 1, -1))


def held(racks, rng, **restless):
    found = []
    for _ in range(racks):
        rack = [swept(rng, **restless) for _ in range(RACK)]
        for sweep, wander in zip(rack, wanders(rack), strict=True):
            told = hysteresis(sweep, wander)
            found.append((abs(told.value - OPEN_PPM) <= told.u, told.u))
    inside, u = np.array(found).T
    return inside.mean(), np.median(u) / U_PPM


@pytest.mark.parametrize(
    ("restless", "widest"),
    [
        ({}, 4.5),
        ({"scatter": 3.0}, 13.0),
        ({"walk": 0.3}, 8.0),
        ({"walk": 0.6}, 12.0),
    ],
)
def test_hysteresis_is_held_whatever_moves_devices_between_turns(restless, widest):
    """Without wander in U, walks of 0.3 and 0.6 u a turn are held in 82 and 66 %."""
    rng = seeded_generator([61, round(10 * sum(restless.values()))])
    share, u = held(8, rng, **restless)
    assert share >= 0.90
    assert u <= widest


def test_noise_within_turns_alone_does_not_hold_it():
    rng = seeded_generator([61, 9])
    rack = [swept(rng, walk=1.0) for _ in range(40)]
    told = [hysteresis(one, STEADY) for one in rack]
    assert np.mean([abs(one.value - OPEN_PPM) <= one.u for one in told]) < 0.6


def test_a_rack_tells_what_one_device_cannot():
    """One device alone cannot tell a walk from hysteresis; sixteen quiet ones can."""
    rng = seeded_generator([61, 3])
    rack = [swept(rng) for _ in range(RACK)]
    together = [hysteresis(*one).u for one in zip(rack, wanders(rack), strict=True)]
    alone = [hysteresis(one).u for one in rack]
    assert np.median(together) < 0.85 * np.median(alone)


def test_an_opening_between_two_memories_is_no_walk():
    """U was 4.4 u, against 2.7 of noise alone, with memories three times apart."""
    rng = seeded_generator([61, 15])
    rack = [opened(rng, 40 * U_PPM, over_c=15.0) for _ in range(RACK)]
    u = [hysteresis(*one).u for one in zip(rack, wanders(rack), strict=True)]
    assert np.median(u) < 3.7 * U_PPM


def test_one_restless_device_in_a_quiet_rack_keeps_its_own_u():
    rng = seeded_generator([61, 4])
    rack = [swept(rng) for _ in range(RACK - 1)] + [swept(rng, walk=3.0)]
    u = [hysteresis(*one).u for one in zip(rack, wanders(rack), strict=True)]
    assert u[-1] > 3 * max(u[:-1])
    assert u[-1] > 6 * np.median(u[:-1])


def test_few_points_tell_no_wander():
    sweep = swept(seeded_generator([61, 2]), scatter=9.0)
    few = np.arange(0, 50, 8)
    short = Sweep(sweep.points.only(few), np.asarray(sweep.way)[few])
    assert wanders([short]) == (STEADY,)


@pytest.mark.parametrize("apart", [1, 4, 30, seldom(400)])
def test_flicker_fm_takes_turns_apart_as_simulated(apart):
    m, many = 8, 400
    noise = make("flicker FM", seeded_generator([62, apart]), many, m * (apart + 1))
    first, last = noise[:, :m].mean(1), noise[:, -m:].mean(1)
    neighbour = noise[:, m : 2 * m].mean(1)
    grown = np.mean((last - first) ** 2) / np.mean((neighbour - first) ** 2)
    expected = float(flicker_growth(np.array(float(apart))))
    assert grown == pytest.approx(expected, rel=0.25)  # 400 of each: 7 % twice


def test_growth_is_smooth_where_its_form_changes():
    below, above = flicker_growth(np.array([9999.0, 10001.0]))
    assert above == pytest.approx(below, rel=1e-4)
    assert flicker_growth(np.array([0.0, 1.0])) == pytest.approx([0.0, 1.0])


def test_a_change_long_after_its_reference_is_less_sure():
    def u_after(gap_s):
        points = Points(
            t_s=np.array([gap_s]),
            at=np.array([1.0]),
            offset_ppm=np.array([0.1]),
            u_ppm=np.array([0.002]),
            flicker_ppm=0.001,
            turn_s=10.0,
        )
        reference = Points(
            t_s=np.zeros(1),
            at=np.zeros(1),
            offset_ppm=np.zeros(1),
            u_ppm=np.array([0.002]),
            flicker_ppm=0.001,
            turn_s=10.0,
        )
        return float(changes_from(points, reference).u_ppm[0])

    # neighbours: 2 u^2; a day later flicker FM makes 2 b (2 ln 8640 + 3) / (4 ln 2)
    assert u_after(10.0) == pytest.approx(0.002 * np.sqrt(2))
    grown = (2 * np.log(8640) + 3) / (4 * np.log(2))
    assert u_after(86400.0) == pytest.approx(np.sqrt(2 * (3e-6 + 1e-6 * grown)))
