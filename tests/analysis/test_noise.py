"""Noise identification: worked values on the 1000-point set, and made noise.

Source of the method: Riley and Greenhall, EFTF 2004; values recomputed by own code and
by a numeric library, which agree.
"""

import numpy as np
import pytest
from noise_makers import make

from benchlog.analysis.noise import noise_exponent, noise_of
from benchlog.analysis.series import Series
from benchlog.analysis.stability import stability

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
    assert noise_of(thousand) == noise_of(tens) == 0


@pytest.mark.parametrize("kind", ALPHAS)
def test_made_noise_is_named(kind):
    y = make(kind, np.random.default_rng(3), 1, 4000)[0]
    found = stability(Series(y, 1.0)).rows
    assert found[0].noise == kind
    if kind != "white PM":  # averaging white PM leaves its quantised ends
        assert found[4].noise == kind


def test_too_little_says_nothing():
    assert noise_of(np.arange(29.0) ** 2) is None
    assert noise_of(np.full(100, 7.0)) is None
    assert noise_of(np.arange(100.0)) is None
