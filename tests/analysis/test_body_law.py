"""Intervals of a temperature law where the data cover 8 C, with and without gaps.

Truth: the law of the simulated quartz, its air and its thermal lag of 45 s.
"""

import numpy as np
import pytest
from seeds import seeded_generator
from tiers import seldom

from benchlog.analysis.fitting.temperature import TemperatureData, fit_temperature
from benchlog.analysis.fitting.thermal_lag import known_body, stretches
from benchlog.analysis.laws import kind_law
from benchlog.model import Kind, Limits
from benchlog.simulate.physics.room import Room, RoomSpec

LAW = kind_law(Kind.QUARTZ)
TRUTH = (LAW.linear_ppm_per_c, LAW.quadratic_ppm_per_c2, LAW.cubic_ppm_per_c3)
LAG_S, SPAN_C, NOISE_PPM, GAP_S = 45.0, 8.0, 0.003, 420.0


def measured(seed, shape, gap_s, spacing_s=2.0, n=1500):
    """A run in which the air changes by 8 C, in one step, there and back, or slowly.

    The thermometer was read up to a second before; a gap lies across the first change.
    """
    rng, room = seeded_generator(seed), Room(RoomSpec(), f"s{seed}")
    t = np.arange(n) * spacing_s
    low = rng.uniform(12, 18)
    before, after = (low, low + SPAN_C)[:: rng.choice([1, -1])]
    at = rng.uniform(0.25, 0.45) * t[-1]
    room.set_c(before, -50_000.0)
    if shape == "ramp":
        for k in range(1, 21):
            room.set_c(before + (after - before) * k / 20, at + 30 * k)
    else:
        room.set_c(after, at)
    if shape == "twice":
        room.set_c(before, at + 0.4 * t[-1])
    air = [room.temperature_c(x - rng.uniform(0, 1)) for x in t]
    ambient = np.round(air + 0.005 * rng.standard_normal(n), 2)
    dt = np.array([room.temperature_c(x - 0.5, LAG_S) for x in t]) - 25.0
    ppm = 5 + sum(c * dt**k for k, c in enumerate(TRUTH, start=1))
    ppm += NOISE_PPM * rng.standard_normal(n)
    from_s = at - rng.uniform(0.1, 0.9) * gap_s
    there = (t < from_s) | (t > from_s + gap_s)
    return TemperatureData(t[there], ambient[there], ppm[there])


def held(runs, shapes=("step", "twice", "ramp")):
    """Return how many intervals hold the truth, and how many signs are wrong."""
    found, wrong = np.zeros(3, int), 0
    for seed in range(runs):
        data = measured(seed, shapes[seed % len(shapes)], GAP_S * (seed % 2))
        fit = fit_temperature(data, "cubic")
        for k, (one, truth) in enumerate(zip(fit.coefficients, TRUTH, strict=True)):
            found[k] += one.low <= truth <= one.high
            wrong += (one.low > 0 > truth) or (one.high < 0 < truth)
    return found, wrong


@pytest.mark.parametrize(
    ("runs", "least", "most_wrong"),
    [(3, 2, 1), seldom(12, 10, 1)],
)
def test_intervals_hold_with_and_without_gaps(runs, least, most_wrong):
    """Before, of 12 such runs 3 held, and lags stood 3 % apart on a ladder."""
    found, wrong = held(runs)
    assert found.min() >= least
    assert wrong <= most_wrong


@pytest.mark.slow
def test_intervals_of_a_hundred_runs_hold():
    found, wrong = held(102)
    assert found[0] >= 0.9 * 102
    assert wrong <= 5


def test_what_was_not_measured_is_not_called_significant():
    """A gap that swallows the whole change leaves two levels: no curve, no promise."""
    data = measured(6, "step", GAP_S)
    limits = Limits(tolerance_ppm=30, stability_ppm=30, range_c=(-20, 70))
    fit = fit_temperature(data, "cubic", limits=limits)
    quadratic, cubic = fit.coefficients[1:]
    assert quadratic.low <= 0 <= quadratic.high
    assert cubic.low <= TRUTH[2] <= cubic.high
    assert fit.promise is None or not fit.promise.measured


def test_a_body_is_not_known_after_a_gap_until_it_has_forgotten():
    t = np.concatenate([np.arange(0, 100.0), np.arange(500.0, 1500.0)])
    ambient = np.where(t < 200, 20.0, 28.0)
    starts = stretches(t)
    assert starts.tolist() == [0, 100]
    known = known_body(t, ambient, starts, 45.0)
    assert known[:100].all()
    until_s = t[100:][known[100:]][0] - 500.0
    assert until_s == pytest.approx(45.0 * np.log(1.1e4), abs=1.0)
    assert known_body(t, np.linspace(20, 28, len(t)), starts, 0.0).all()
