"""Gaps, spacing, outliers, drift and whatever else data may come with."""

from dataclasses import astuple

import numpy as np
import pytest
from columns_maker import columns, without
from hypothesis import given, settings
from hypothesis import strategies as st
from noise_makers import allan_variance, make
from seeds import seeded_generator
from tiers import seldom

from benchlog.analysis import series as srs
from benchlog.analysis.series import Series, series_from_columns
from benchlog.analysis.stability.difference_sums import gapped_squares, mean_squares
from benchlog.analysis.stability.estimation import (
    DeviationRequest,
    stabilities,
    stability,
)
from benchlog.errors import DataError
from benchlog.model import DEVIATIONS


def white(n, seed=1):
    return seeded_generator(seed).standard_normal(n)


def test_spacings():
    data = Series(white(100), 0.1)
    octave = stability(data).rows
    assert [row.m for row in octave] == [1, 2, 4, 8, 16, 32]
    assert octave[3].tau_s == pytest.approx(0.8)
    decade = stability(data, "adev", DeviationRequest(spacing="decade")).rows
    assert [row.m for row in decade] == [1, 2, 5, 10, 20, 50]
    every = stability(data, "adev", DeviationRequest(spacing="every")).rows
    assert [row.m for row in every] == list(range(1, 51))
    given_taus = stability(data, "adev", DeviationRequest(taus_s=(0.5, 0.1, 0.52))).rows
    assert [row.m for row in given_taus] == [1, 5]


def test_an_averaging_time_longer_than_the_run_is_an_empty_row():
    for kind in DEVIATIONS:
        row = stability(
            Series(white(50), 1.0), kind, DeviationRequest(taus_s=(400.0,))
        ).rows[0]
        assert (row.n, row.value, row.low, row.high) == (0, None, None, None)


@pytest.mark.parametrize("kind", DEVIATIONS)
@pytest.mark.parametrize(
    "values", [[], [1.0], [2.0, 2.0, 2.0], [np.nan] * 5, [1.0, np.nan, np.nan]]
)
def test_degenerate_data_are_an_error(kind, values):
    with pytest.raises(DataError):
        stability(Series(np.array(values), 1.0), kind)


@pytest.mark.parametrize("bad", [np.inf, -np.inf])
def test_infinite_values_are_refused(bad):
    with pytest.raises(DataError, match="infinite"):
        Series(np.array([1.0, bad, 2.0]), 1.0)


@pytest.mark.parametrize("tau0", [0.0, -1.0, np.nan, np.inf])
def test_impossible_spacing(tau0):
    with pytest.raises(DataError, match="spacing"):
        Series(white(5), tau0)


@pytest.mark.parametrize(
    ("kind", "request_", "said"),
    [
        ("sdev", DeviationRequest(), "one of adev"),
        ("mdev", DeviationRequest("plain"), "no plain estimator"),
        ("adev", DeviationRequest("sloppy"), "overlapping or plain"),
        ("adev", DeviationRequest(spacing="odd"), "octave"),
        ("adev", DeviationRequest(taus_s=(-1.0,)), "above zero"),
        ("adev", DeviationRequest(probability=1.0), "between 0 and 1"),
    ],
)
def test_impossible_requests_say_what_is_possible(kind, request_, said):
    with pytest.raises(DataError, match=said):
        stability(Series(white(20), 1.0), kind, request_)


@settings(max_examples=100, deadline=None)
@given(
    values=st.lists(
        st.one_of(st.floats(-1e3, 1e3), st.just(float("nan"))), max_size=40
    ),
    kind=st.sampled_from(DEVIATIONS),
    data=st.sampled_from(["frequency", "phase"]),
)
def test_any_data_give_figures_or_a_clear_error(values, kind, data):
    """Warnings are errors here: numpy never grumbles, no figure is not a number."""
    try:
        found = stability(Series(np.array(values), 1.0, data), kind)
    except DataError:
        return
    for row in found.rows:
        assert (row.value is None) == (row.n == 0)
        for figure in (row.value, row.low, row.high, row.edf):
            assert figure is None or np.isfinite(figure)


@pytest.mark.parametrize("examples", [10, seldom(40)])
def test_gaps_invent_nothing(examples):
    @settings(max_examples=examples, deadline=None)
    @given(lost=st.sets(st.integers(0, 59), max_size=30), seed=st.integers(0, 99))
    def of(lost, seed):
        y = white(60, seed)
        y[list(lost)] = np.nan
        if np.count_nonzero(~np.isnan(y)) < 2:
            return
        adev, mdev, hdev = stabilities(Series(y, 1.0), ("adev", "mdev", "hdev"))
        for row in adev.rows:
            expected = brute(y, row.m, 2)
            assert row.n == len(expected)
            if row.n:
                assert row.value**2 == pytest.approx(np.mean(expected) / 2, rel=1e-9)
        for row in hdev.rows:
            expected = brute(y, row.m, 3)
            assert row.n == len(expected)
            if row.n:
                assert row.value**2 == pytest.approx(np.mean(expected) / 6, rel=1e-9)
        for row in mdev.rows:
            whole = np.convolve(np.isnan(y), np.ones(3 * row.m - 1), mode="valid") < 0.5
            assert row.n == np.count_nonzero(whole)

    of()


def brute(y, m, order):
    """Squared differences of adjacent averages with at least half their values."""
    found = []
    for k in range(len(y) - order * m + 1):
        blocks = y[k : k + order * m].reshape(order, m)
        there = ~np.isnan(blocks)
        count = there.sum(axis=1)
        if np.all(2 * count >= m):
            means = np.where(there, blocks, 0.0).sum(axis=1) / count
            found.append(np.diff(means, n=order - 1)[0] ** 2)
    return found


def test_with_nothing_missing_both_ways_are_one():
    y = white(3000) - white(3000).mean()
    factors = [1, 2, 3, 10, 100, 700]
    phase = np.concatenate(([0.0], np.cumsum(y - y.mean())))
    for fast, slow in zip(
        mean_squares(phase, factors), gapped_squares(y, factors), strict=True
    ):
        assert astuple(slow) == pytest.approx(astuple(fast), rel=1e-9)


def test_runs_on_a_grid():
    whole = without(columns(16e6 + white(50)), [10, 11, 30])
    data = series_from_columns(whole, 16e6)
    assert len(data) == 50
    assert data.missing == 3
    assert np.isnan(data.values[[10, 11, 30]]).all()
    found = stability(data, "mtie")
    assert "longest unbroken stretch" in found.notes[0]


def test_time_going_back_is_an_error():
    whole = columns(16e6 + white(5))
    whole.mono_ns[3] = whole.mono_ns[1]
    with pytest.raises(DataError, match="reading 4"):
        series_from_columns(whole, 16e6)


def test_a_gate_shorter_than_the_spacing_is_dead_time():
    whole = columns(16e6 + white(5))
    whole.gate_s[:] = 0.5
    assert series_from_columns(whole, 16e6).gate_s == 0.5
    assert series_from_columns(columns(16e6 + white(5)), 16e6).gate_s is None


def test_outliers_are_marked_and_left_out_only_when_asked():
    y = white(500) + 0.05 * np.arange(500)
    y[100] += 50
    data = Series(y, 1.0)
    marked = srs.outliers(data)
    assert np.flatnonzero(marked).tolist() == [100]
    assert stability(srs.without(data, marked)).missing == 1
    assert stability(data).missing == 0
    assert not srs.outliers(Series(np.full(9, 3.0), 1.0)).any()


def test_drift_removal_leaves_the_noise():
    y = white(4000)
    drifting = Series(y + 0.01 * np.arange(4000), 1.0)
    before = stability(drifting).rows[-3]
    after = stability(srs.without_drift(drifting)).rows[-3]
    clean = stability(Series(y, 1.0)).rows[-3]
    # A drift D shows as D tau/sqrt(2) (NIST SP 1065, from memory).
    assert before.value == pytest.approx(0.01 * before.tau_s / np.sqrt(2), rel=0.02)
    assert after.value == pytest.approx(clean.value, rel=0.2)
    phase = Series(np.cumsum(drifting.values), 1.0, "phase")
    again = stability(srs.without_drift(phase)).rows[-3]
    assert again.value == pytest.approx(after.value, rel=0.05)


@pytest.mark.parametrize(
    ("kind", "slope"),
    [("adev", -0.5), ("mdev", -0.5), ("tdev", 0.5), ("hdev", -0.5), ("totdev", -0.5)],
)
def test_slope_on_white_fm(kind, slope):
    """IEEE Std 1139: sigma goes as tau^-1/2, TDEV as tau^+1/2."""
    rows = stability(Series(white(1 << 16), 1.0), kind).rows[2:10]
    logs = np.log([[row.tau_s, row.value] for row in rows])
    assert np.polyfit(*logs.T, 1)[0] == pytest.approx(slope, abs=0.04)


@pytest.mark.parametrize("n", [100, 300, 1000])
@pytest.mark.parametrize("noise", ["white FM", "flicker FM"])
def test_intervals_hold_the_truth(noise, n):
    """95 % intervals of the Allan deviation, each averaging time up to n/8."""
    runs = 400
    hits = total = 0
    for y in make(noise, seeded_generator(n), runs, n):
        for row in stability(Series(y, 1.0)).rows[:-2]:
            total += 1
            truth = allan_variance(noise, row.m, n) ** 0.5
            hits += row.low <= truth <= row.high
    assert 0.92 <= hits / total <= 0.98


def test_few_averages_do_not_name_a_quicker_noise_by_chance():
    """Where 31 averages are left, r1 errs by 0.18: one in six would look like PM."""
    n, runs = 1000, 300
    held = {32: 0, 64: 0}
    for y in make("white FM", seeded_generator(11), runs, n):
        for row in stability(Series(y, 1.0), "adev").rows:
            if row.m in held:
                assert row.noise not in {"white PM", "flicker PM"}
                held[row.m] += row.low <= allan_variance("white FM", row.m, n) ** 0.5
                held[row.m] -= row.high < allan_variance("white FM", row.m, n) ** 0.5
    assert all(0.92 <= hits / runs <= 0.985 for hits in held.values()), held


@pytest.mark.parametrize("kind", ["adev", "mdev"])
@pytest.mark.parametrize("data", ["frequency", "phase", "gaps"])
def test_a_drift_is_named_where_it_dominates(kind, data):
    """White FM of 1e-10 at 1 s; D tau/sqrt(2) passes it near 300 s."""
    y = 1e-10 * seeded_generator(8).standard_normal(20_000)
    y += 2e-14 * np.arange(len(y))
    series = Series(y, 1.0)
    if data == "phase":
        series = Series(np.cumsum(y), 1.0, "phase")
    elif data == "gaps":
        y[5_000:5_100] = np.nan
    found = stability(series, kind)
    noises = [row.noise for row in found.rows if row.value is not None]
    first = noises.index("drift")
    assert set(noises[first:]) == {"drift"}
    assert noises[0] == "white FM"
    row = found.rows[first]
    assert 500 <= row.tau_s <= 4_100
    assert row.value == pytest.approx(2e-14 * row.tau_s / 2**0.5, rel=0.1)
    assert (row.low, row.high, row.edf) == (None, None, None)
    assert any("--remove-drift" in note for note in found.notes)
    after = stability(srs.without_drift(series), kind)
    assert "drift" not in {row.noise for row in after.rows}


@pytest.mark.parametrize("kind", ["white FM", "flicker FM", "random-walk FM"])
def test_no_noise_is_a_drift(kind):
    for y in make(kind, seeded_generator(9), 40, 2_000):
        rows = stability(Series(y, 1.0)).rows
        assert "drift" not in {row.noise for row in rows}
