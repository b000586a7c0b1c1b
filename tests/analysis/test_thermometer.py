"""What a thermometer is uncertain by, in a temperature law and in a response."""

import numpy as np
import pytest
from analysis.response_campaign import Course, cuts, false_claims, seen
from analysis.temperature_campaign import BODIES, cell
from seeds import seeded_generator
from tiers import seldom

from benchlog.analysis.fitting.temperature import TemperatureData, fit_temperature
from benchlog.analysis.fitting.thermometer import ASSUMED_U_C, GAIN_PER_C
from benchlog.analysis.response import phases, responses


def tuning_fork(u_c, seed=1):
    """A parabola of -0.035 ppm/C^2 about 25 C, from 10 to 40 C, hardly any noise."""
    t = np.arange(400.0) * 60.0
    ambient = 25.0 - 15.0 * np.cos(2 * np.pi * t / t[-1])
    ppm = -0.035 * (ambient - 25.0) ** 2
    ppm += 1e-4 * seeded_generator(seed).standard_normal(len(t))
    return TemperatureData(t, ambient, ppm, u_c)


def test_a_turnover_is_known_no_better_than_the_thermometer():
    found = fit_temperature(tuning_fork(0.5), "parabola")
    assert found.turning_c.u == pytest.approx(0.5, rel=0.02)
    linear, quadratic = found.coefficients
    # d c1 = 2 c2 e; d c2 = 2 c2 g
    assert linear.u == pytest.approx(2 * 0.035 * 0.5, rel=0.05)
    assert quadratic.u == pytest.approx(2 * 0.035 * 0.5 * GAIN_PER_C, rel=0.05)
    fine = fit_temperature(tuning_fork(0.01), "parabola")
    assert fine.turning_c.u == pytest.approx(0.01, rel=0.1)


def test_what_is_assumed_of_a_thermometer_is_said():
    assumed = fit_temperature(tuning_fork(None), "parabola")
    assert assumed.turning_c.u == pytest.approx(ASSUMED_U_C, rel=0.02)
    assert any("0.5 C assumed" in one and "u_c" in one for one in assumed.notes)
    stated = fit_temperature(tuning_fork(0.1), "parabola")
    assert any("stated in the bench file" in one for one in stated.notes)


def test_thermometers_that_are_wrong_by_their_u_are_within():
    """Offset drawn with 0.5 C, gain with 2 %."""
    held = []
    rng = seeded_generator(5)
    for seed in range(12):
        data = tuning_fork(0.5, seed)
        read = data.ambient_c + rng.normal(0, 0.5)
        read += rng.normal(0, 0.5 * GAIN_PER_C) * (data.ambient_c - 25.0)
        found = fit_temperature(
            TemperatureData(data.t_s[::10], read[::10], data.offset_ppm[::10], 0.5),
            "parabola",
        )
        held.append(found.turning_c.low <= 25.0 <= found.turning_c.high)
    assert sum(held) >= 10


def test_a_body_of_two_lags_is_named():
    """Full table: TEMPERATURE.md."""
    held, trusted, _ = cell(BODIES[1], "twice", 2, 3)
    assert not trusted.any()
    held, trusted, _ = cell(BODIES[0], "ramps", 2, 3)
    assert trusted.all() and held.mean() >= 0.8


@pytest.mark.parametrize(
    "kind", [seldom("white FM"), "flicker FM", "white PM + 5 random-walk FM"]
)
def test_nothing_done_is_seldom_called_a_response(kind):
    """Full table: RESPONSES.md. Random walk under white PM: 33 of 100 before."""
    share, _ = false_claims(kind, Course(4, 100), 40, seed=6)
    assert share <= 5 / 40


@pytest.mark.campaign  # octaves that count so: `test_coverage.py` has short runs
def test_a_random_walk_hidden_by_phase_noise_is_seldom_called_a_response():
    """9 of 200 while 12 and 48 times counted like any other multiple."""
    kind = "white PM + 20 random-walk FM"
    share, _ = false_claims(kind, Course(2, 300), 200, seed=1500)
    assert share <= 7 / 200


def test_rates_have_intervals_that_hold():
    """0.5 ppm/C and 2 ppm/V; the thermometer's gain is a part of the first."""
    rng, course = seeded_generator(9), Course(2, 100)
    held = []
    for _ in range(40):
        up = np.arange(course.n) >= course.readings
        ppm = 0.1 * rng.standard_normal(course.n) + up * (0.5 * 10.0 + 2.0 * 0.5)
        one = seen(ppm, course, 10.0, 0.0)
        (answer,) = responses(one, phases(one, cuts(course)))
        assert answer.u_ppm_per_v is None
        held.append(abs(answer.ppm_per_c - 0.6) <= answer.u_ppm_per_c)
    assert sum(held) >= 36
    # U of the change over 10 C, and the gain of 0.5 C / 25 C, k = 2
    expected = np.hypot(answer.u_ppm / 10.0, answer.ppm_per_c * 2 * 0.5 / 25)
    assert answer.u_ppm_per_c == pytest.approx(expected)
