"""Rows of every averaging time, made at once, are what one by one they are."""

import math

import numpy as np
import pytest
from seeds import seeded_generator
from tiers import seldom

from benchlog.analysis.series import Series
from benchlog.analysis.stability.deviations import DeviationRequest, expected_s
from benchlog.analysis.stability.estimation import stabilities
from benchlog.analysis.stability.every.every_freedom import (
    every_freedom,
    every_interval,
)
from benchlog.analysis.stability.freedom import Differences, blended_freedom, interval
from benchlog.plotting.many_rows import MANY, for_picture, for_table

KINDS = ("adev", "mdev", "tdev", "hdev")
EVERY = DeviationRequest(spacing="every")
EXACT = ("m", "n", "tau_s", "noise", "carried", "bias")
CLOSE = ("value", "low", "high", "edf")


def series_of(n):
    """Noises of n values by name: what counters, crystals and RC oscillators have."""
    white = 1e-9 * seeded_generator(11).standard_normal(n)
    slow = 1e-11 * np.cumsum(seeded_generator(12).standard_normal(n))
    drift = 1e-11 * np.arange(float(n))
    return {
        "white FM": Series(white, 0.5),
        "white PM": Series(np.diff(white, prepend=0.0), 0.5),
        "walk and drift": Series(white + slow + drift, 0.5),
        "phase": Series(np.cumsum(white), 0.5, "phase"),
        "dead time": Series(white + slow, 0.5, gate_s=0.2),
        "drift": Series(1e-3 * white + drift, 0.5),
        "gaps": Series(np.where(np.arange(n) % 460 < 3, np.nan, white), 0.5),
        "gaps in phase": Series(
            np.where(np.arange(n) % 97 == 5, np.nan, np.cumsum(white)), 0.5, "phase"
        ),
    }


SOME = ("walk and drift", "gaps", "phase")


@pytest.mark.parametrize(
    "name", [name if name in SOME else seldom(name) for name in series_of(8)]
)
def test_all_at_once_is_one_by_one(name):
    series = series_of(500)[name]  # the second gap is at 460
    at_once = stabilities(series, KINDS, EVERY)
    taus_s = tuple(row.tau_s for row in at_once[0].rows)
    one_by_one = stabilities(series, KINDS, DeviationRequest(taus_s=taus_s))
    for found, peer in zip(at_once, one_by_one, strict=True):
        assert len(found.rows) == len(peer.rows)
        assert (found.kind, found.notes) == (peer.kind, peer.notes)
        for row, other in zip(found.rows, peer.rows, strict=True):
            for field in EXACT:
                assert getattr(row, field) == getattr(other, field), (row, field)
            for field in CLOSE:
                value = getattr(other, field)
                close = value if value is None else pytest.approx(value, rel=1e-9)
                assert getattr(row, field) == close, (row, field)


def test_rows_are_a_sequence():
    (found,) = stabilities(series_of(700)["phase"], ("mdev",), EVERY)
    rows = found.rows
    whole = tuple(rows)
    assert len(whole) == len(rows) == 349
    assert (rows[0], rows[-1], rows[50]) == (whole[0], whole[-1], whole[50])
    assert rows[100:230:7] == whole[100:230:7]
    assert rows[-3:] == whole[-3:]
    assert whole[-1].value is None
    with pytest.raises(IndexError):
        rows[349]


@pytest.mark.parametrize("probability", [0.683, 0.95, 0.999, 0.999999])
@pytest.mark.parametrize("least", [0.4, 1.0, 30.0])
def test_intervals_of_many_are_those_of_each(least, probability):
    edf = np.geomspace(least, 1e6, 5_000)
    low, high = every_interval(np.full(len(edf), 2.0), edf, probability)
    for at in range(0, len(edf), 97):
        one = interval(2.0, float(edf[at]), probability)
        assert (low[at], high[at]) == pytest.approx(one, rel=1e-9)


@pytest.mark.parametrize("alpha", [2.0, 1.6, 1.0, 0.4, 0.0, -0.7, -1.0, -2.0, -3.5])
@pytest.mark.parametrize("kind", [(2, False), (2, True), (3, False)])
def test_degrees_of_freedom_at_once(kind, alpha):
    order, averaged = kind
    n = 40_000
    m = np.array([1, 2, 3, 7, 127, 128, 129, 1023, 1025, 5000, 13_000])
    pairs = n - (order + averaged) * m + averaged
    found = every_freedom(kind, m, pairs, np.full(len(m), alpha))
    for at in range(len(m)):
        one = Differences(
            order=order, m=int(m[at]), pairs=int(pairs[at]), averaged=averaged
        )
        assert found[at] == pytest.approx(blended_freedom(one, alpha), rel=1e-12)


def test_how_long_it_takes_is_no_longer_that_of_a_pass_for_each():
    series = Series(np.zeros(1_000_000), 1.0)
    assert expected_s(series, "adev", EVERY) < 10.0
    assert expected_s(series, "mtotdev", EVERY) > 1e4
    gapped = Series(np.where(np.arange(1_000_000) == 5, np.nan, 0.0), 1.0)
    assert expected_s(gapped, "adev", EVERY) > 1e3


def test_a_picture_of_many_keeps_what_sticks_out():
    (found,) = stabilities(series_of(9_000)["white FM"], ("adev",), EVERY)
    kept = for_picture(found.rows)
    assert MANY < len(kept) < len(found.rows) / 2
    assert [row.m for row in kept] == sorted({row.m for row in kept})
    for choose in (min, max):
        outermost = choose(found.rows, key=lambda row: row.value)
        assert outermost in kept
    span = math.log(found.rows[-1].m) / 600
    steps = np.diff([math.log(row.m) for row in kept if row.m > 600])
    assert steps.max() < 2 * span
    few = found.rows[:MANY]
    assert for_picture(few) == list(few)


def test_a_table_of_many_is_short():
    (found,) = stabilities(series_of(9_000)["white FM"], ("adev",), EVERY)
    factors = [row.m for row in for_table(found.rows)]
    assert factors == [
        *(1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000),
        len(found.rows),
    ]
    assert for_table(found.rows[:1000]) == list(found.rows[:1000])
