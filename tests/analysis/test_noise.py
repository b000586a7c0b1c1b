"""Noise identification: worked values on the 1000-point set, and made noise.

Source of the method: Riley and Greenhall, EFTF 2004; values recomputed by own code and
by a numeric library, which agree.
"""

from itertools import pairwise

import numpy as np
import pytest
from noise_makers import make
from seeds import seeded_generator

from benchlog.analysis.series import Series
from benchlog.analysis.stability.estimation import stability
from benchlog.analysis.stability.noise_identification import (
    Named,
    Slopes,
    named,
    noise_exponent,
    noise_of,
)

ALPHAS = {"white PM": 2, "white FM": 0, "flicker FM": -1, "random-walk FM": -2}


@pytest.fixture
def thousand():
    values, n = [], 1234567890
    for _ in range(1000):
        values.append(n / 2147483647.0)
        n = 16807 * n % 2147483647
    return np.array(values)


def test_worked_example(thousand):
    assert noise_exponent(thousand) == pytest.approx(0.0548558158, abs=1e-9)
    tens = thousand.reshape(100, 10).mean(axis=1)
    assert noise_exponent(tens) == pytest.approx(0.3604759514, abs=1e-9)
    assert noise_of(thousand, 1) == noise_of(tens, 10) == 0


@pytest.mark.parametrize("kind", ALPHAS)
def test_made_noise_is_named(kind):
    y = make(kind, seeded_generator(3), 1, 4000)[0]
    found = stability(Series(y, 1.0)).rows
    assert found[0].noise == kind
    if kind != "white PM":  # averaging white PM leaves its quantised ends
        assert found[4].noise == kind


def test_too_little_says_nothing():
    assert noise_of(np.arange(29.0) ** 2, 1) is None
    assert noise_of(np.full(100, 7.0), 1) is None
    assert noise_of(np.arange(100.0), 1) is None


def falls_at(rows, name):
    """Whether the noise first named `name` is named where the deviation falls."""
    for before, row in pairwise(rows):
        if row.noise == name and before.noise != name:
            return row.value < before.value
    return False


@pytest.mark.parametrize("gap", [0, 12])
def test_no_random_walk_is_named_where_the_deviation_falls(gap):
    """Flicker FM, 300 readings: few averages called every second run random walk."""
    runs, walks = 60, 0
    for y in make("flicker FM", seeded_generator(5), runs, 300):
        values = y.copy()
        values[100 : 100 + gap] = np.nan
        rows = stability(Series(values, 1.0)).rows
        assert not falls_at([row for row in rows if row.m >= 4], "random-walk FM")
        walks += rows[-1].noise == "random-walk FM"
    assert walks <= 0.05 * runs


def test_a_gap_takes_no_more_than_its_values_from_a_name():
    """The averages on both sides count, not those of the longest stretch alone."""
    y = make("white FM", seeded_generator(6), 1, 400)[0]
    whole = noise_exponent(y)
    y[195:205] = np.nan
    assert noise_exponent(y) == pytest.approx(whole, abs=0.1)
    assert noise_exponent(np.where(np.arange(400) % 2, y, np.nan)) is None


@pytest.mark.parametrize(
    ("slope", "likely"), [(-1.0, 0), (0.0, -1), (0.9, -2), (None, -2)]
)
def test_a_slower_noise_is_named_as_far_as_the_variance_bears_it_out(slope, likely):
    walk = make("random-walk FM", seeded_generator(7), 1, 60)[0]
    assert noise_of(walk, 1) == -2
    slopes = Slopes(allan=lambda: slope, phase=lambda: None)
    found = named(walk, 1, Named(0, 0), slopes)
    assert (found.likely, found.cautious, found.carried) == (likely, -2, False)
    few = named(walk[:20], 1, Named(-1, -2), slopes)
    assert few == Named(-1, -2, carried=True)
