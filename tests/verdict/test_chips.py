"""Devices beside each other, against a general-purpose library."""

import numpy as np
import pytest
import scipy
from seeds import seeded_generator

from benchlog.errors import DataError
from benchlog.verdict.lot.chips import Chip, spread_of


def chips(offsets):
    return [
        Chip(device=f"RC-{i}", run=i, offset_ppm=float(v), u_ppm=1.0, word="pass")
        for i, v in enumerate(offsets)
    ]


def test_shift_and_spread_agree_with_scipy():
    offsets = seeded_generator(7).normal(800.0, 300.0, 25)
    found = spread_of(chips(offsets))
    low, high = scipy.stats.t.interval(
        0.95, 24, offsets.mean(), scipy.stats.sem(offsets)
    )
    assert (found.low_ppm, found.high_ppm) == pytest.approx((low, high), rel=1e-12)
    assert found.sd_ppm == pytest.approx(offsets.std(ddof=1), rel=1e-12)
    assert found.shared


def test_the_ranking_runs_from_the_closest_to_the_farthest():
    found = spread_of(chips([30.0, -5.0, 12.0, -40.0]))
    assert [chip.offset_ppm for chip in found.ranking] == [-5.0, 12.0, 30.0, -40.0]
    assert not found.shared


def test_one_device_has_no_spread_and_none_is_an_error():
    found = spread_of(chips([3.0]))
    assert (found.n, found.sd_ppm, found.low_ppm) == (1, None, None)
    with pytest.raises(DataError, match="measure one"):
        spread_of([])


def test_a_shift_no_larger_than_the_time_base_is_no_shift_of_the_devices():
    """Convolved with the devices' own scatter (JCGM 100, 5.1.2)."""
    given = chips([0.5, 0.51, 0.49, 0.5])
    alone, shared = spread_of(given), spread_of(given, 1.2)
    assert alone.shared and not shared.shared
    own = alone.high_ppm - alone.shift_ppm
    assert shared.high_ppm - shared.shift_ppm == pytest.approx(
        np.hypot(own, 1.2), rel=1e-3
    )
