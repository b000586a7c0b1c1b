"""Bias functions against worked values.

Sources: Barnes, NBS TN 375; Barnes and Allan, NIST TN 1318; values recomputed. The sign
inside B3 is settled by direct integration for random walk: 0.85.
"""

import numpy as np
import pytest
from seeds import seeded_generator

from benchlog.analysis.series import Series
from benchlog.analysis.stability.dead_time import (
    b1,
    b2,
    b3,
    dead_time_bias,
)
from benchlog.analysis.stability.estimation import stability


@pytest.mark.parametrize(("r", "expected"), [(1.1, 1.15), (2, 2.5), (10, 14.5)])
def test_b2_random_walk(r, expected):
    assert b2(r, 1.0) == pytest.approx(expected)  # (3 r - 1)/2


@pytest.mark.parametrize(
    ("r", "expected"), [(1.1, 1.0886097), (2, 1.5661649), (10, 2.7423792)]
)
def test_b2_flicker_is_the_limit(r, expected):
    assert b2(r, 0.0) == pytest.approx(expected, rel=2e-4)


@pytest.mark.parametrize("r", [1.0, 1.5, 2.0, 10.0])
def test_white_fm_knows_no_dead_time(r):
    assert b2(r, -1.0) == pytest.approx(1.0)
    assert b3(7, r, -1.0) == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("m", "r", "mu", "expected"),
    [
        (2, 2.0, 1.0, 0.85),
        (10, 2.0, 1.0, 0.802),
        (2, 1.1, 0.0, 0.9472209),
        (2, 1.0, 1.0, 1.0),
        (9, 1.0, 0.0, 1.0),
    ],
)
def test_b3(m, r, mu, expected):
    assert b3(m, r, mu) == pytest.approx(expected, rel=2e-4)


@pytest.mark.parametrize(
    ("mu", "expected"),
    [
        (-1.0, lambda n: 1.0),
        (0.0, lambda n: n * np.log(n) / (2 * (n - 1) * np.log(2))),
        (1.0, lambda n: n / 2),
    ],
)
@pytest.mark.parametrize("n", [10, 100])
def test_b1_theory(n, mu, expected):
    assert b1(n, 1.0, mu) == pytest.approx(expected(n), rel=1e-3)


def test_simulated_random_walk_with_dead_time():
    """Gates of 1 every 2, random walk in steps of 1/50: B2 = 2.5 of what it was."""
    rng = seeded_generator(8)
    fine = np.cumsum(rng.standard_normal((400, 100 * 50)), axis=1)
    gates = fine.reshape(400, 100, 50).mean(axis=2)
    apart = np.diff(gates[:, ::2], axis=1)
    beside = np.diff(gates, axis=1)
    ratio = (apart**2).mean() / (beside**2).mean()
    assert ratio == pytest.approx(dead_time_bias(1, 2.0, -2), rel=0.05)


def test_a_run_with_dead_time_states_its_bias():
    y = np.cumsum(seeded_generator(1).standard_normal(500))
    found = stability(Series(y, 2.0, gate_s=1.0))
    assert found.dead_time_s == 1.0
    assert found.rows[0].bias == pytest.approx(2.5)
    assert "dead time" in found.notes[0]
    assert stability(Series(y, 2.0)).rows[0].bias == 1.0
