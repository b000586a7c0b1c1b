"""Histogram, outliers, groups: invariants, closed forms, and known mixtures."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from seeds import seeded_generator

from benchlog.verdict.lot.lot_spread import (
    GROUPS_APART,
    groups,
    histogram,
    outliers,
)

lots = st.lists(st.floats(-1e5, 1e5), min_size=1, max_size=200)


@given(values=lots, limit=st.floats(0.01, 1e5))
def test_every_value_lies_in_a_bin(values: list[float], limit: float) -> None:
    found = histogram(values, limit)
    assert found is not None
    assert sum(found.counts) == len(values)
    assert len(found.edges_ppm) == len(found.counts) + 1 <= 62
    assert list(found.edges_ppm) == sorted(set(found.edges_ppm))


def test_limits_fall_on_edges() -> None:
    values = seeded_generator(2).normal(0.0, 20.0, 500)
    found = histogram(list(values), 30.0)
    assert found is not None
    for limit in (-30.0, 30.0):
        assert min(abs(edge - limit) for edge in found.edges_ppm) < 1e-9
    outside = np.count_nonzero(np.abs(values) > 30)
    inside = sum(
        count
        for count, low in zip(found.counts, found.edges_ppm, strict=False)
        if -30.0 - 1e-9 <= low < 30.0 - 1e-9
    )
    assert inside == 500 - outside


def test_width_is_no_finer_than_freedmans_and_diaconiss() -> None:
    values = seeded_generator(3).normal(0.0, 5.0, 300)
    found = histogram(list(values), 30.0)
    assert found is not None
    reference = np.diff(np.histogram_bin_edges(values, "fd"))[0]
    width = found.edges_ppm[2] - found.edges_ppm[1]
    assert 0.95 * reference <= width <= 1.4 * reference
    assert (30.0 / width) == pytest.approx(round(30.0 / width))


def test_a_lot_far_out_has_wide_bins() -> None:
    found = histogram([90_000.0, 110_000.0, 80_000.0], 30.0)
    assert found is not None and len(found.counts) <= 60
    assert histogram([], 30.0) is None


def test_one_value_and_all_alike_have_a_bin() -> None:
    for values in ([3.0], [3.0] * 9, [0.0] * 4):
        found = histogram(values, 30.0)
        assert found is not None and max(found.counts) == len(values)


def test_modified_z_score() -> None:
    """0.6745 |x - median| / MAD > 3.5 (Iglewicz and Hoaglin 1993).

    Median 4, MAD 2: beyond 4 +- 3.5 * 2 / 0.6745 = 4 +- 10.378.
    """
    values = [0.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0]
    assert np.median(np.abs(np.array(values) - 4.0)) == 2.0
    assert outliers([*values, 14.3, -6.3]) == ()
    assert outliers([*values, 4 - 3.5 * 2.0 / 0.6745 + 1e-6, 40.0]) != ()
    assert outliers([0.0, 2.0, 3.0, 4.0, 5.0, 6.0, 80.0]) == (6,)


def test_a_value_no_farther_than_the_measurement_is_uncertain_is_no_outlier() -> None:
    values = [1.0] * 8 + [1.5]
    assert outliers(values) == (8,)
    assert outliers(values, floor_ppm=0.2) == ()
    assert outliers(values, floor_ppm=0.1) == (8,)
    assert outliers([1.0, 9.0]) == ()


def test_false_alarms_of_outliers_in_normal_lots_are_few() -> None:
    rng = seeded_generator(7)
    marked = sum(len(outliers(list(rng.normal(0, 5, 125)))) for _ in range(400))
    assert marked / (400 * 125) < 0.002


@pytest.mark.parametrize("size", [6, 20, 50, 125, 500])
@pytest.mark.parametrize("shape", ["normal", "uniform"])
def test_groups_are_seldom_seen_in_one_lot(shape: str, size: int) -> None:
    """300 lots each: false alarms below 1 %, with what chance allows on top."""
    rng = seeded_generator(8)
    draw = {"normal": rng.normal, "uniform": rng.uniform}[shape]
    alarms = sum(groups(list(draw(0, 5, size))) is not None for _ in range(300))
    assert alarms <= 10


def test_halves_of_one_lot_are_not_far_apart() -> None:
    """What `GROUPS_APART` has to exceed, in closed form.

    Normal: means +-sqrt(2/pi), variance 1 - 2/pi; even: means +-1/2, variance 1/12.
    """
    normal = 2 * math.sqrt(2 / math.pi) / math.sqrt(1 - 2 / math.pi)
    even = 1.0 / math.sqrt(1 / 12)
    assert (normal, even) == pytest.approx((2.647, 3.464), abs=1e-3)
    assert even < GROUPS_APART[0]


@pytest.mark.parametrize("share", [0.2, 0.5])
def test_two_lots_mixed_are_seen(share: float) -> None:
    """Six standard deviations apart: in 250 mixtures of 125, at least 245."""
    rng = seeded_generator(9)
    seen = 0
    for _ in range(250):
        second = rng.binomial(1, share, 125)
        found = groups(list(rng.normal(0, 2, 125) + 12.0 * second))
        if found is None:
            continue
        seen += 1
        assert found.high_mean_ppm - found.low_mean_ppm == pytest.approx(12, abs=2)
        assert found.low_n + found.high_n == 125
        assert found.apart >= GROUPS_APART[0]
    assert seen >= 245


def test_few_values_or_less_apart_than_uncertain_are_no_groups() -> None:
    assert groups([0.0, 0.0, 10.0, 10.0]) is None
    mixed = [0.0, 0.1, 0.2, 0.3, 5.0, 5.1, 5.2, 5.3]
    assert groups(mixed) is not None
    assert groups(mixed, floor_ppm=2.0) is None
