"""Drift, ageing and temperature laws: known truth recovered, intervals that hold it."""

import numpy as np
import pytest
from noise_makers import make
from seeds import seeded_generator
from tiers import seldom

from benchlog.analysis.fitting import regression
from benchlog.analysis.fitting.ageing import ageing
from benchlog.analysis.fitting.regression import Regression
from benchlog.analysis.fitting.temperature import TemperatureData, fit_temperature
from benchlog.analysis.fitting.thermal_lag import lagging
from benchlog.analysis.laws import ageing_ppm, kind_law
from benchlog.errors import DataError
from benchlog.model import Kind, Limits

RNG_SEED = 20


def noise(kind, n, level, seed=RNG_SEED):
    return level * make(kind, seeded_generator(seed), 1, n)[0]


@pytest.mark.parametrize(
    ("what", "kind"),
    [
        ("drift", "flicker FM"),
        seldom("temperature", "white FM"),
        seldom("drift", "white FM"),
        seldom("temperature", "flicker FM"),
    ],
)
def test_intervals_hold_the_truth(what, kind):
    """95 % intervals of a slope, 300 runs of 100 (the long campaign: test_coverage)."""
    n, truth = 100, 0.3
    t = np.arange(n, dtype=float)
    wave = 3 * np.sin(2 * np.pi * t / n * 1.3) + 0.5 * np.cos(2 * np.pi * t / n * 4)
    x = t / n if what == "drift" else wave
    design = np.column_stack([np.ones(n), x])
    row = np.array([0.0, 1.0])
    hits = 0
    fits = Regression(t)
    for y in make(kind, seeded_generator(RNG_SEED), 300, n):
        found = fits.fit(design, y + truth * x)
        hits += abs(found.coefficients[1] - truth) <= found.half_width(row)
    assert 0.92 <= hits / 300 <= 0.985


def test_linear_drift_and_its_extrapolation():
    days = np.linspace(0, 30, 600)
    first, _ = ageing(days, 1.5 + 0.02 * days + noise("white FM", 600, 0.05))
    rate = next(found for found in (first,) if found.law == "linear").coefficients[0]
    assert rate.low < 0.02 < rate.high
    year, decade = first.extrapolations
    assert year.change_ppm == pytest.approx(rate.value * 365.25)
    assert decade.high_ppm - decade.low_ppm > 9 * (year.high_ppm - year.low_ppm)
    assert "30.0 days" in first.warning


@pytest.mark.parametrize(
    ("span_days", "stated"), [(0.9, []), (1.0, [1]), (9.9, [1]), (10.0, [1, 10])]
)
def test_a_year_ahead_wants_a_day_of_data(span_days, stated):
    days = np.linspace(0, span_days, 200)
    for law in ageing(days, 0.02 * days + noise("white FM", 200, 0.05)):
        known = [far for far in law.extrapolations if far.change_ppm is not None]
        assert [far.years for far in known] == stated
        assert all(far.low_ppm < far.change_ppm < far.high_ppm for far in known)
        withheld = [far.why_not for far in law.extrapolations if far not in known]
        assert all("not stated: the data last" in why for why in withheld)
        assert ("extrapolated from" in law.warning) == bool(stated)


def test_logarithmic_ageing_is_preferred_where_it_is_true():
    """A = 0.5 ppm, B = 0.3/day: after a year 2.352508 ppm (MIL-PRF-55310's law)."""
    days = np.linspace(0, 60, 900)
    grown = np.array([ageing_ppm(0.5, 0.3, float(day)) for day in days])
    first, second = ageing(days, grown + noise("white FM", 900, 0.01))
    assert (first.law, second.law) == ("logarithmic", "linear")
    assert "prefer the logarithmic" in first.choice
    a, b = first.coefficients
    assert a.low < 0.5 < a.high
    assert b.low < 0.3 < b.high
    year = first.extrapolations[0]
    truth = ageing_ppm(0.5, 0.3, 60 + 365.25) - ageing_ppm(0.5, 0.3, 60)
    assert year.low_ppm < truth < year.high_ppm


def test_noise_alone_prefers_neither_law():
    first, _ = ageing(np.arange(100.0), noise("flicker FM", 100, 0.1))
    assert "do not tell" in first.choice


@pytest.mark.parametrize(
    ("days", "ppm"),
    [
        ([], []),
        ([1.0, 2, 3], [1.0, 2, 3]),
        ([0.0, 1, 1, 2, 3], [1.0, 2, 3, 4, 5]),
        ([0.0, 1, 2, 3, 2], [1.0, 2, 3, 4, 5]),
        ([0.0, 1, 2, 3, 4], [1.0, 2, np.nan, 4, 5]),
        ([0.0, 1, 2, 3, 4], [7.0] * 5),
        ([-1.0, 1, 2, 3, 4], [1.0, 2, 3, 4, 5]),
    ],
)
def test_degenerate_ageing(days, ppm):
    with pytest.raises(DataError):
        ageing(np.array(days), np.array(ppm))


def room(n=2000, span_s=40_000.0, low=-10.0, high=60.0):
    t = np.linspace(0, span_s, n)
    middle, half = (low + high) / 2, (high - low) / 2
    return t, middle + half * np.sin(2 * np.pi * t / span_s * 2)


def test_tuning_fork_turnover():
    """-0.035 ppm/C^2 about 25 C, the usual data-sheet figure: 45 C is -14 ppm."""
    t, ambient = room()
    ppm = 3.0 - 0.035 * (ambient - 26.5) ** 2 + noise("white FM", len(t), 0.3)
    found = fit_temperature(TemperatureData(t, ambient, ppm), "parabola")
    assert found.coefficients[1].low < -0.035 < found.coefficients[1].high
    assert found.turning_c.low < 26.5 < found.turning_c.high
    assert found.lag_s == 0.0
    assert found.r2 > 0.99


def test_at_cut_inflection():
    """Inflection 25 - A2/(3 A3) = 26.3812 C (Gerber and Ballato's coefficients)."""
    law = kind_law(Kind.QUARTZ)
    t, ambient = room(low=-40, high=85)
    dt = ambient - 25.0
    ppm = law.linear_ppm_per_c * dt + law.quadratic_ppm_per_c2 * dt**2
    ppm += law.cubic_ppm_per_c3 * dt**3 + noise("white FM", len(t), 0.2)
    found = fit_temperature(TemperatureData(t, ambient, ppm), "cubic")
    assert found.turning_c.name == "inflection"
    assert found.turning_c.value == pytest.approx(26.3812, abs=1.0)
    assert found.turning_c.low < 26.3812 < found.turning_c.high
    truth = (law.linear_ppm_per_c, law.quadratic_ppm_per_c2, law.cubic_ppm_per_c3)
    for estimate, value in zip(found.coefficients, truth, strict=True):
        assert estimate.low - estimate.u < value < estimate.high + estimate.u


def test_thermal_lag_is_found_and_allowed_for():
    t, ambient = room(low=15, high=35)
    body = lagging(t, ambient, 900.0)
    ppm = 250.0 * (body - 25.0) + noise("white FM", len(t), 20.0)
    found = fit_temperature(TemperatureData(t, ambient, ppm), "line")
    assert found.lag_s == pytest.approx(900.0, rel=0.4)
    assert found.coefficients[0].value == pytest.approx(250.0, rel=0.02)


@pytest.mark.parametrize(
    ("lag_s", "swing_s", "begun_at"),
    [(60.0, 900.0, 1_000), (300.0, 3_600.0, 3_300), seldom(20.0, 377.0, 95)],
)
def test_a_room_that_swung_before_the_run_began_leaves_the_law(
    lag_s, swing_s, begun_at
):
    """Before, the body was taken to begin at ambient: 0.29 of 0.2 ppm/C, +- 0.02.

    It is not to be trusted all the same: a body of two lags looks alike.
    """
    n = 7_200
    t = np.arange(float(n + begun_at))
    ambient = 25.0 + 3.0 * np.sin(2 * np.pi * t / swing_s)
    body = lagging(t, ambient, lag_s)[begun_at:]
    ppm = 0.2 * (body - 25.0) + noise("white FM", n, 0.005)
    data = TemperatureData(t[begun_at:], ambient[begun_at:], ppm)
    found = fit_temperature(data, "line")
    assert found.lag_s == pytest.approx(lag_s, rel=0.05)
    assert found.coefficients[0].value == pytest.approx(0.2, rel=0.02)
    assert found.coefficients[0].low < 0.2 < found.coefficients[0].high
    assert found.coefficients[0].high - found.coefficients[0].low < 0.02


def test_an_even_swing_tells_a_slope_beside_a_lag():
    """Before, when ambient was read was anybody's guess: -0.13 +- 0.30 of 0.2."""
    n, begun_at = 7_200, 1_117
    t = np.arange(float(n + begun_at))
    ambient = 25.0 + np.sin(2 * np.pi * t / 900.0)
    body = lagging(t, ambient, 60.0)[begun_at:]
    read = ambient[begun_at:] + noise("white FM", n, 0.01, seed=5)
    ppm = 0.2 * (body - 25.0) + noise("white FM", n, 0.1, seed=6)
    found = fit_temperature(TemperatureData(t[begun_at:], read, ppm), "line")
    slope = found.coefficients[0]
    assert slope.low < 0.2 < slope.high
    assert slope.high - slope.low < 0.03


def test_the_range_of_a_law_is_what_the_device_went_through():
    """A body of 3,600 s follows a swing of 7,200 s by 1/sqrt(1 + (2 pi / 2)^2)."""
    t = np.arange(0.0, 40_000.0, 20.0)
    ambient = 25.0 + 10.0 * np.sin(2 * np.pi * t / 7200.0)
    body = lagging(t, ambient, 3600.0)
    ppm = 250.0 * (body - 25.0) + noise("white FM", len(t), 20.0)
    found = fit_temperature(TemperatureData(t, ambient, ppm), "line")
    assert found.ambient_c == pytest.approx((15.0, 35.0), abs=0.1)
    assert found.lag_s == pytest.approx(3600.0, rel=0.2)
    swing = 20.0 / np.sqrt(1 + np.pi**2)
    settled = body[len(t) // 2 :]
    assert np.ptp(settled) == pytest.approx(swing, rel=0.05)
    assert found.low_c == pytest.approx(body.min(), abs=1.0)
    assert found.high_c == pytest.approx(body.max(), abs=1.0)
    assert "of the device" in found.range_text
    assert "15.0 to 35.0 C" in found.range_text


def test_lag_of_a_step():
    """A first-order body covers 1 - 1/e of a step in one time constant."""
    t = np.arange(0, 1000.0)
    ambient = np.where(t < 1, 0.0, 10.0)
    body = lagging(t, ambient, 100.0)
    assert body[101] == pytest.approx(10 * (1 - np.exp(-1)), rel=0.01)


def test_temperature_and_ageing_in_one_fit():
    t, ambient = room(span_s=20 * 86_400.0, low=20, high=30)
    days = t / 86_400.0
    ppm = 1.2 * (ambient - 25) + 0.05 * days + noise("flicker FM", len(t), 0.02)
    data = TemperatureData(t, ambient, ppm)
    found = fit_temperature(data, "line", with_ageing=True)
    assert found.coefficients[0].value == pytest.approx(1.2, rel=0.01)
    assert found.ageing.low < 0.05 < found.ageing.high


def test_the_promise_is_checked_and_extrapolation_said():
    t, ambient = room(low=10, high=40)
    ppm = 0.5 * (ambient - 25) + noise("white FM", len(t), 0.05)
    limits = Limits(tolerance_ppm=30, stability_ppm=50, range_c=(-10, 70))
    found = fit_temperature(TemperatureData(t, ambient, ppm), "line", limits=limits)
    assert found.promise.worst_ppm == pytest.approx(22.5, rel=0.02)
    assert not found.promise.measured
    assert "extrapolated" in found.promise.text
    narrow = Limits(tolerance_ppm=30, stability_ppm=50, range_c=(15, 35))
    again = fit_temperature(TemperatureData(t, ambient, ppm), "line", limits=narrow)
    assert again.promise.measured


def test_a_span_that_cannot_carry_the_law_says_nothing_of_the_promise():
    """A cubic from 0.2 C, taken on to -10 C, would be hundreds of thousands of ppm."""
    t, ambient = room(low=24.9, high=25.1)
    ppm = 0.3 * (ambient - 25) + noise("white FM", len(t), 0.01)
    limits = Limits(tolerance_ppm=30, stability_ppm=50, range_c=(-10, 70))
    found = fit_temperature(TemperatureData(t, ambient, ppm), "cubic", limits=limits)
    assert found.promise is None
    assert "the run spans only 0.20 C" in found.notes[0]
    assert "not enough to say anything about -10 to 70 C" in found.notes[0]
    assert any("cubic term cannot be told from zero" in note for note in found.notes)


def test_a_promise_broken_where_it_was_measured_is_broken():
    t, ambient = room(low=20, high=30)
    ppm = 30 * (ambient - 25) + noise("white FM", len(t), 3.0)
    limits = Limits(tolerance_ppm=30, stability_ppm=50, range_c=(-40, 85))
    found = fit_temperature(TemperatureData(t, ambient, ppm), "cubic", limits=limits)
    assert found.promise.worst_ppm > 100
    assert abs(found.promise.at_c - 25) == pytest.approx(5, abs=0.1)


def test_the_interval_beyond_what_was_measured_decides_whether_it_is_said():
    """Enough is measured exactly when the interval there is within the promise."""
    t, ambient = room(low=10, high=40)
    ppm = 1e-4 * (ambient - 25) ** 3 + noise("white FM", len(t), 0.05)
    data = TemperatureData(t, ambient, ppm)
    wide = fit_temperature(
        data,
        "cubic",
        limits=Limits(tolerance_ppm=30, stability_ppm=50, range_c=(-40, 85)),
    ).promise
    assert wide is not None and wide.u_ppm < 50
    tight = Limits(tolerance_ppm=30, stability_ppm=wide.u_ppm / 2, range_c=(-40, 85))
    assert fit_temperature(data, "cubic", limits=tight).promise is None


@pytest.mark.parametrize(
    ("ambient", "law", "said"),
    [
        (np.full(50, 25.0), "line", "too little"),
        (np.full(50, np.nan), "line", "known ambient"),
        (np.linspace(20, 30, 50), "spline", "line, parabola or cubic"),
    ],
)
def test_degenerate_temperature(ambient, law, said):
    data = TemperatureData(np.arange(50.0), ambient, noise("white FM", 50, 1.0))
    with pytest.raises(DataError, match=said):
        fit_temperature(data, law)


def test_temperature_that_only_rises_cannot_be_told_from_ageing():
    data = TemperatureData(
        np.arange(50.0), np.linspace(20, 30, 50), noise("white FM", 50, 1.0)
    )
    with pytest.raises(DataError, match="independently"):
        fit_temperature(data, "line", with_ageing=True)


def test_laws_fitted_together_are_those_fitted_alone():
    days = np.linspace(0, 30, 200)
    y = 0.3 * np.log1p(0.5 * days) + noise("flicker FM", 200, 0.05)
    columns = [np.log1p(rate * days) for rate in (0.1, 1.0, 10.0)]
    designs = np.array([np.column_stack([np.ones(200), one]) for one in columns])
    fits = Regression(days)
    together = fits.fit_each(designs, y)
    for design, one in zip(designs, together, strict=True):
        alone = fits.fit(design, y)
        # y is about 1: a small constant of it has the rounding of the whole
        coefficients = pytest.approx(alone.coefficients, rel=1e-10, abs=1e-9)
        assert one.coefficients == coefficients
        assert one.u == pytest.approx(alone.u, rel=1e-10)
        assert one.log_evidence == pytest.approx(alone.log_evidence, rel=1e-10)
        assert one.noise == alone.noise
    with pytest.raises(DataError, match="independently"):
        fits.fit_each(np.array([designs[0], np.ones((200, 2))]), y)


def test_a_month_of_hours_is_made_white_once_for_each_noise_and_ladder(monkeypatch):
    """720 points: a product for each of 76 laws and 13 noises took most of the time."""
    # private: how often the costly step is taken is what this is about
    made, whole = [], regression._generalised
    monkeypatch.setattr(
        regression, "_generalised", lambda *given: made.append(1) or whole(*given)
    )
    days = np.arange(720) / 24
    ageing(days, 0.01 * days + noise("white FM", 720, 0.05))
    assert len(made) == 13 * 6  # a line, then five ladders of B
