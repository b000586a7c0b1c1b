"""A lot whose device was never exchanged is doubted; one that was is not."""

from dataclasses import replace

import numpy as np
import pytest
from seeds import seeded_generator
from tiers import seldom

from benchlog.model import Decision
from benchlog.verdict.lot.device_exchange import FALSE_ALARMS, not_exchanged
from benchlog.verdict.lot.lot_decision import DeviceResult

TOLERANCE_PPM = 30.0
SHARED_PPM = 1.0
OWN_PPM = 0.02


def results(offsets, own_ppm=OWN_PPM, positions=("A",)):
    return [
        DeviceResult(
            device=f"KX-{n:04d}",
            run=n,
            word=Decision.PASS,
            offset_ppm=float(ppm),
            u_ppm=float(np.hypot(SHARED_PPM, own_ppm)),
            at_utc_ns=n,
            position=positions[n % len(positions)],
        )
        for n, ppm in enumerate(offsets, start=1)
    ]


def doubted(given):
    found = not_exchanged(given, TOLERANCE_PPM, SHARED_PPM)
    return {run: why for (run, _), why in found.items()}


def test_one_device_under_many_ids_is_doubted_from_the_second_on():
    noise = seeded_generator(5).normal(0.0, OWN_PPM / 4, 8)
    found = doubted(results(4.2 + noise))
    assert list(found) == [2, 3, 4, 5, 6, 7, 8]
    assert found[2].startswith("reads as KX-0001 did in run 1")


def test_one_device_left_in_between_others():
    found = doubted(results([3.1, -4.0, -4.001, 9.5, 1.0], own_ppm=0.002))
    assert list(found) == [3]


def test_devices_at_two_positions_are_held_against_those_of_their_own():
    given = results([3.0, 3.0, -5.0, 7.0], own_ppm=0.002, positions=("A", "B"))
    assert not doubted(given)


def test_positions_of_two_benches_are_two_though_they_have_one_name():
    given = results([3.0, 3.0, -5.0, 7.0], own_ppm=0.002)
    assert doubted(given)
    apart = [replace(one, bench=f"bench-{n % 2}") for n, one in enumerate(given)]
    assert not doubted(apart)


def test_coarse_runs_that_agree_are_no_sign():
    """U of 3 ppm each, where a delivery may spread by 3 ppm: two agree as a rule."""
    assert not doubted(results([1.0, 1.5, 0.8], own_ppm=3.0))


@pytest.mark.parametrize("lots", [400, seldom(2_000)])
def test_false_alarms_of_lots_that_were_exchanged(lots):
    """Lots of 20 devices, as tight as the rule allows: at most 1 % + 3 sd."""
    rng = seeded_generator(9)
    spread = 0.1 * TOLERANCE_PPM
    alarms = sum(
        bool(doubted(results(rng.normal(2.0, spread, 20), own_ppm=own)))
        for own in rng.choice([1e-4, 1e-3, 0.02, 0.3, 1.0], lots)
    )
    worst = FALSE_ALARMS * lots
    assert alarms <= worst + 3 * np.sqrt(worst)
