"""Drift and failures in a row, recovered from lots made with known ones."""

import numpy as np
import pytest
import scipy
from seeds import seeded_generator

from benchlog.verdict.lot.inspection_trend import (
    HOUR_NS,
    drift,
    rows_of_failures,
    trend,
)


def session(n: int = 60) -> list[int]:
    """One device a minute."""
    return [1_700_000_000_000_000_000 + i * HOUR_NS // 60 for i in range(n)]


def test_a_known_trend_lies_in_its_interval_as_often_as_promised() -> None:
    rng = seeded_generator(1)
    hours = np.arange(40) / 60
    inside = 0
    for _ in range(400):
        found = trend(list(hours), list(3.0 * hours + rng.normal(0, 1, 40)))
        assert found is not None
        inside += found.low <= 3.0 <= found.high
    assert scipy.stats.binomtest(inside, 400, 0.95).pvalue > 0.001


def test_a_few_odd_devices_do_not_turn_the_trend() -> None:
    hours = np.arange(40) / 60
    values = 3.0 * hours
    values[[30, 35, 39]] += 500.0
    found = trend(list(hours), list(values))
    assert found is not None and found.per_hour == pytest.approx(3.0, rel=0.05)


def test_the_room_warming_up_is_named() -> None:
    """RC oscillators at 250 ppm/C while the room warms by 1.5 C in an hour."""
    at = session()
    rng = seeded_generator(2)
    room = 23.0 + 1.5 * np.arange(60) / 60
    offsets = 1000 + 250 * (room - 23) + rng.normal(0, 20, 60)
    found = drift(at, list(offsets), list(room), 10_000.0)
    assert found is not None and found.offset_ppm.clear
    assert found.ambient_c is not None
    assert found.ambient_c.per_hour == pytest.approx(1.5)
    assert found.offset_ppm.per_hour == pytest.approx(375, rel=0.1)
    assert "the room may be the cause" in found.text and "ppm/C" in found.text
    assert found.hours == pytest.approx(59 / 60)


@pytest.mark.parametrize(
    ("room", "said"),
    [([23.0] * 60, "ambient stayed"), ([None] * 60, "ambient not known")],
)
def test_a_drift_without_a_warming_room(room: list[float | None], said: str) -> None:
    offsets = list(0.5 * np.arange(60) + seeded_generator(3).normal(0, 1, 60))
    found = drift(session(), offsets, room, 30.0)
    assert found is not None and said in found.text


def test_no_drift_is_said() -> None:
    offsets = list(seeded_generator(4).normal(0, 1, 60))
    found = drift(session(), offsets, [23.0] * 60, 30.0)
    assert found is not None and not found.offset_ppm.clear
    assert found.text.startswith("no drift to be seen")


def test_too_few_or_all_at_once_say_nothing() -> None:
    assert drift(session(7), [1.0] * 7, [None] * 7, 30.0) is None
    assert drift([5] * 20, [1.0] * 20, [None] * 20, 30.0) is None


def test_failures_in_a_row() -> None:
    """3 of 100 fail: together they are odd, (100 - 3 + 1) 0.03^3 = 0.0026."""
    good = [True] * 100
    good[40:43] = [False] * 3
    (row,) = rows_of_failures(good)
    assert (row.first, row.length) == (40, 3)
    assert row.probability == pytest.approx(98 * 0.03**3)
    apart = [i not in (10, 50, 90) for i in range(100)]
    assert rows_of_failures(apart) == ()
    assert rows_of_failures([]) == ()


def test_a_row_at_the_end_and_a_lot_that_is_all_bad() -> None:
    good = [True] * 60 + [False] * 4
    assert [(r.first, r.length) for r in rows_of_failures(good)] == [(60, 4)]
    assert rows_of_failures([False] * 30) == ()


def test_rows_are_seldom_pointed_at_in_random_order() -> None:
    rng = seeded_generator(6)
    alarms = sum(
        bool(rows_of_failures(list(rng.random(125) > 0.1))) for _ in range(500)
    )
    assert alarms / 500 < 0.02


def test_the_median_slope_is_that_of_a_general_library() -> None:
    """Bit for bit what `scipy.stats.theilslopes` gives, with ties and without."""
    rng = seeded_generator(17)
    for n in (8, 9, 40, 101):
        hours = np.round(rng.uniform(0, 5, n), 1)
        values = np.round(rng.normal(0, 1, n), int(rng.integers(0, 6)))
        found = trend(hours.tolist(), values.tolist())
        wanted = scipy.stats.theilslopes(values, hours, 0.95)
        assert found is not None
        told = (found.per_hour, found.low, found.high)
        assert told == (wanted.slope, wanted.low_slope, wanted.high_slope)
