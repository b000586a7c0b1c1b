"""Bias functions against worked values.

Sources: Barnes, NBS TN 375; Barnes and Allan, NIST TN 1318; values recomputed. The sign
inside B3 is settled by direct integration for random walk: 0.85.
"""

import numpy as np
import pytest
from seeds import seeded_generator

from benchlog.analysis.series import Series
from benchlog.analysis.stability.counter_weight import _variance as variance_of
from benchlog.analysis.stability.counter_weight import counter_bias, phase_weights
from benchlog.analysis.stability.dead_time import (
    WHITE_EITHER,
    b1,
    b2,
    b3,
    dead_time_bias,
)
from benchlog.analysis.stability.estimation import stability
from benchlog.model import AVERAGING, REGRESSION, TWO_STAMPS, Counting


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


def stability_of(y, **more):
    return stability(Series(y, 1.0, gate_s=1.0 / 1.06, **more)).rows


def test_white_pm_across_dead_time_is_not_called_white_fm_without_bias():
    """Stamps at both ends of each gate of their own; 3 s^2/tau^2 without dead time."""
    x = seeded_generator(16).standard_normal((2, 200_000))
    y = x[1] - x[0]
    row = next(row for row in stability_of(y) if row.m == 16)
    assert row.value**2 / (3.0 / 16**2) == pytest.approx(2 * 16 / 3, rel=0.05)
    assert dead_time_bias(16, 1.06, 2) == pytest.approx(2 * 16 / 3)
    assert dead_time_bias(1, 1.06, 2) == pytest.approx(2 / 3)
    assert b3(16, 1.0, -2.0) == 1.0
    assert (row.noise, row.bias) == (WHITE_EITHER, None)
    notes = stability(Series(y[:999], 1.0, gate_s=0.9)).notes
    assert any("2m/3" in note for note in notes)


def test_what_was_stated_of_the_counter_goes_before_the_time_stamps():
    y = seeded_generator(2).standard_normal(4_000)
    gapless, restarted = (Counting(gapless=one) for one in (True, False))
    assert stability_of(y, counting=gapless)[0].noise == "white FM"
    assert stability_of(y, counting=gapless)[0].bias == 1.0
    rows = stability(Series(y, 1.0, counting=restarted)).rows
    assert (rows[0].noise, rows[0].bias) == (WHITE_EITHER, None)


# PVAR over AVAR of one gate: Vernotte et al., "The parabolic variance" (2016), from
# memory: 3/5 against 1/2, 2 (7 - ln 16)/5 against 2 ln 2, 26/35 against 2/3
PVAR = {0: 1.2, -1: 2 * (7 - np.log(16)) / 5 / (2 * np.log(2)), -2: (26 / 35) / (2 / 3)}


@pytest.mark.parametrize("alpha", PVAR)
def test_regression_counters_read_the_parabolic_variance(alpha):
    assert counter_bias(REGRESSION, 1, 1.0, alpha) == pytest.approx(PVAR[alpha], 4e-3)


def test_a_triangle_of_white_fm_is_four_thirds():
    """Of the mean square of its weight, 4/3; at every m, as gates do not overlap."""
    found = [counter_bias(AVERAGING, m, 1.0, 0) for m in (1, 7, 500)]
    assert found == pytest.approx([4 / 3] * 3, rel=1e-3)


@pytest.mark.parametrize(("m", "r", "alpha"), [(1, 2.0, -1), (16, 1.5, -2), (4, 3, -1)])
def test_two_stamps_are_what_the_bias_functions_say(m, r, alpha):
    plain = counter_bias(TWO_STAMPS, m, r, alpha)
    assert plain == dead_time_bias(m, r, alpha)
    weights, mu = phase_weights(TWO_STAMPS, 96), {-1: 1e-4, -2: 1.0}[alpha]
    gapless = np.zeros(m * 96 + 1)
    gapless[[0, -1]] = -1 / m, 1 / m
    direct = variance_of(weights, m, round(r * 96), mu)
    assert direct / variance_of(gapless, 1, m * 96, mu) == pytest.approx(plain, 1e-3)


def test_simulated_averaging_counter_behaves_as_a_modified_deviation_at_one_gate():
    """White PM, 64 stamps a gate: falls with the stamps, 3 s^2/tau^2 with two."""
    x = seeded_generator(4).standard_normal((4_000, 64))
    for mode, share in ((AVERAGING, 16 / 64), (REGRESSION, 12 / 64)):
        y = x @ phase_weights(mode, 63)
        assert (np.diff(y) ** 2).mean() / 2 == pytest.approx(share, rel=0.12)
    y = np.cumsum(x.ravel())  # white FM through the same counter
    found = y.reshape(-1, 64) @ phase_weights(REGRESSION, 63)
    plain = y.reshape(-1, 64) @ phase_weights(TWO_STAMPS, 63)
    assert found.var() / plain.var() == pytest.approx(1.2, rel=0.06)
