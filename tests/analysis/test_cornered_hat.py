"""Own stability of devices measured together, against a library and known truth."""

from itertools import combinations

import numpy as np
import pytest
from analysis.peer_library import peer_function
from hypothesis import given, settings
from hypothesis import strategies as st
from noise_makers import allan_variance, make
from seeds import seeded_generator

from benchlog.analysis.pairing import together
from benchlog.analysis.series import Series
from benchlog.analysis.stability.cornered_hat import (
    CorneredHat,
    cornered_hat,
    pair_weights,
)
from benchlog.analysis.stability.estimation import DeviationRequest, stability
from benchlog.analysis.stability.nearest_covariance import nearest_covariance
from benchlog.errors import DataError

NS = 1_000_000_000


def hat_of(y: np.ndarray, kind: str = "adev", **request) -> CorneredHat:
    """Return the hat of frequencies, shape (N, n), at a spacing of 1 s."""
    asked = DeviationRequest(**request)
    return cornered_hat(
        {
            (i, j): stability(Series(y[i] - y[j], 1.0), kind, asked)
            for i, j in combinations(range(len(y)), 2)
        }
    )


def devices(seed: int, n: int = 2048) -> np.ndarray:
    rng = seeded_generator(seed)
    kinds = (("white FM", 1.0), ("flicker FM", 0.7), ("random-walk FM", 0.05))
    return np.concatenate([size * make(kind, rng, 1, n) for kind, size in kinds])


@pytest.mark.parametrize(
    ("kind", "theirs"),
    [("adev", "oadev"), ("mdev", "mdev"), ("hdev", "ohdev")],
)
def test_three_devices_against_a_library(kind: str, theirs: str) -> None:
    """allantools.three_cornered_hat_phase, from phase differences of the same data."""
    y = devices(3)
    x = [np.concatenate(([0.0], np.cumsum(row))) for row in y]
    found = hat_of(y, kind)
    taus = [row.tau_s for row in found.rows]
    for k in range(3):
        a, b, c = np.roll(range(3), -k)
        _, expected, *_ = peer_function("three_cornered_hat_phase")(
            x[a] - x[b], x[b] - x[c], x[c] - x[a], 1.0, taus, peer_function(theirs)
        )
        for row, value in zip(found.rows, expected, strict=False):
            variance = max(row.own[k].variance, 0.0)
            assert np.sqrt(variance) == pytest.approx(value, rel=1e-6, abs=1e-9)


def test_the_mean_of_groslambert_covariances_is_the_same() -> None:
    """allantools.gcodev of one device against two others, over all pairs of others."""
    rng, gcodev = seeded_generator(5), peer_function("gcodev")
    y = np.array([[1.0], [0.8], [1.2], [0.5]]) * rng.standard_normal((4, 4096))
    x = [np.concatenate(([0.0], np.cumsum(row))) for row in y]
    pairs = list(combinations(range(4), 2))
    weights = pair_weights(np.full(4, 0.7), pairs)
    found = hat_of(y, taus_s=(1.0, 4.0))
    for k in range(4):
        others = [i for i in range(4) if i != k]
        squares = [
            gcodev(x[k] - x[i], x[j] - x[k], 1.0, "phase", [1.0, 4.0])[1] ** 2
            for i, j in combinations(others, 2)
        ]
        own = [weights[k] @ np.square(row.pairs) for row in found.rows]
        assert own == pytest.approx(np.mean(squares, axis=0), rel=1e-6)


def test_a_restless_device_takes_nothing_from_the_others() -> None:
    """A fourth one of 50: the others' intervals are as narrow as without it."""
    y = seeded_generator(6).standard_normal((4, 3000))
    y[3] *= 50.0
    three, four = (hat_of(some, taus_s=(1.0,)).rows[0] for some in (y[:3], y))
    for a, b in zip(three.own, four.own[:3], strict=True):
        assert b.high - b.low < 1.1 * (a.high - a.low)
        assert b.low < 1.0 < b.high


@pytest.mark.parametrize("sets", [5, pytest.param(12, marks=pytest.mark.campaign)])
def test_known_truth_of_three_kinds_of_noise(sets: int) -> None:
    """Truth: the noises' own Allan variances, exact sums (`noise_makers`)."""
    n, held, several = 2048, 0, 0
    kinds = (("white FM", 1.0), ("flicker FM", 0.7), ("random-walk FM", 0.05))
    for seed in range(sets):
        for row in hat_of(devices(seed, n)).rows[:8]:
            for own, (kind, size) in zip(row.own, kinds, strict=True):
                truth = size * np.sqrt(allan_variance(kind, row.m, n))
                held += own.low <= truth <= own.high
                several += 1
    assert held / several > 0.92


def test_what_all_share_is_in_none_of_the_figures() -> None:
    """A time base ten times as restless as the devices, and a drifting room."""
    y = devices(7)
    shared = 10.0 * seeded_generator(8).standard_normal(2048) + np.linspace(0, 50, 2048)
    alone, with_base = hat_of(y), hat_of(y + shared)
    for a, b in zip(alone.rows, with_base.rows, strict=True):
        for one, other in zip(a.own, b.own, strict=True):
            assert one.variance == pytest.approx(other.variance, rel=1e-6, abs=1e-9)


@pytest.mark.parametrize(
    ("sets", "least", "most"),
    [(5, 8, 1), pytest.param(12, 20, 2, marks=pytest.mark.campaign)],
)
def test_a_device_that_cannot_be_told_from_none_is_below_a_bound(
    sets: int, least: int, most: int
) -> None:
    """One of 0.02 beside two of 1: chance makes its variance negative in every second
    run, and it is stated neither as 0 nor as a figure."""
    negative, told = 0, []
    for seed in range(sets):
        y = seeded_generator(seed).standard_normal((3, 2000))
        y[2] *= 0.02
        quiet = [row.own[2] for row in hat_of(y).rows]
        told += [own for own in quiet if own.resolved]
        negative += sum(own.variance < 0 for own in quiet)
        hidden = [own for own in quiet if not own.resolved]
        assert all(own.value is None and own.low == 0.0 for own in hidden)
        assert all(own.high > 0.02 for own in hidden)
    assert negative > least
    assert len(told) <= most, "of eight a set"
    assert quiet[0].high < 0.5, "a bound that tells something"


def test_the_covariance_is_positive_and_gives_the_differences_back() -> None:
    y = seeded_generator(2).standard_normal((3, 500))
    y[2] *= 0.02
    for row in hat_of(y).rows:
        values = np.linalg.eigvalsh(row.covariance)
        assert values.min() > -1e-9 * values.max()
        r = row.covariance
        for (i, j), pair in zip(combinations(range(3), 2), row.pairs, strict=True):
            assert r[i, i] + r[j, j] - 2 * r[i, j] == pytest.approx(pair**2, rel=1e-6)


def test_independent_devices_have_no_covariance() -> None:
    """With s_ij^2 = s_i^2 + s_j^2 the covariance nearest to none is none."""
    own = np.array([1.0, 0.5, 2.0, 0.1])
    against_last = np.diag(own[:-1]) + own[-1]
    assert nearest_covariance(against_last) == pytest.approx(np.diag(own), abs=1e-9)


@settings(deadline=None, max_examples=40)
@given(st.integers(3, 6), st.integers(0, 10_000))
def test_no_covariance_is_nearer(count: int, seed: int) -> None:
    """Any other column for what the differences do not tell is not better, or it is not
    positive."""
    rng = seeded_generator(seed)
    u = rng.standard_normal((count + 3, count)) * rng.uniform(0.01, 3.0, count)
    apart = u[:, :-1] - u[:, -1:]
    s = apart.T @ apart / len(u)
    best = nearest_covariance(s)
    assert np.linalg.eigvalsh(best).min() > -1e-7 * np.trace(best)
    for _ in range(50):
        r = best[:, -1] + rng.standard_normal(count) * 0.1 * np.trace(s)
        other = np.empty_like(best)
        other[:-1, :-1] = s + r[:-1, None] + r[None, :-1] - r[-1]
        other[-1], other[:, -1] = r, r
        if np.linalg.eigvalsh(other).min() >= 0:
            assert _off(other) >= _off(best) - 1e-6 * _off(best) - 1e-9


def _off(matrix: np.ndarray) -> float:
    return float(np.sum(np.triu(matrix, 1) ** 2))


def test_devices_that_are_not_independent_are_told() -> None:
    """Two of four share half of their noise: no variances fit all six differences."""
    y = seeded_generator(4).standard_normal((4, 4000))
    assert hat_of(y).notes == ()
    y[1] = 0.5 * y[0] + np.sqrt(0.75) * y[1]
    (note,) = hat_of(y).notes
    assert "independent devices would not give" in note and "at 1 s" in note


def test_mistakes() -> None:
    y = seeded_generator(1).standard_normal((3, 100))
    with pytest.raises(DataError, match="three devices"):
        hat_of(y[:2])
    pair = stability(Series(y[0] - y[1], 1.0))
    with pytest.raises(DataError, match="every two devices"):
        cornered_hat({(0, 1): pair, (0, 2): pair})
    with pytest.raises(DataError, match="degrees of freedom"):
        hat_of(y[:, :3])


# --- readings at the same moments


def stamps(n: int, begin_s: float, every_s: float = 1.0) -> np.ndarray:
    return np.round((begin_s + every_s * np.arange(n)) * NS).astype(np.int64)


def test_readings_of_one_moment_stand_in_one_row() -> None:
    runs = [
        (stamps(100, at), np.arange(100.0) + 1000 * k)
        for k, at in enumerate((0, 0.2, -0.1))
    ]
    found = together(runs, 0.5)
    assert found is not None and found.moments == 100 and found.share == 1.0
    assert found.values.shape == (100, 3)
    assert found.values[7] == pytest.approx([7e-6, 1007e-6, 2007e-6])
    assert found.tau0_s == pytest.approx(1.0)
    assert found.skew_s == pytest.approx(0.3)


def test_a_reading_that_one_run_lacks_leaves_a_hole() -> None:
    whole = stamps(100, 0.0)
    holed = np.delete(whole, [40, 41, 42])
    runs = [(whole, np.zeros(100)), (whole, np.zeros(100)), (holed, np.zeros(97))]
    found = together(runs, 0.5)
    assert found is not None and found.moments == 97
    assert np.isnan(found.values[40:43]).all() and len(found.values) == 100
    assert not np.isnan(np.delete(found.values, [40, 41, 42], axis=0)).any()


def test_counters_of_another_pace_are_never_counted_twice() -> None:
    """1.00 s beside 1.03 s: the slower one's readings are each in one row at most."""
    fast, slow = stamps(1000, 0.0), stamps(970, 0.0, 1.03)
    runs = [(fast, np.arange(1000.0)), (fast, np.zeros(1000)), (slow, np.arange(970.0))]
    found = together(runs, 0.5)
    assert found is not None
    used = found.values[:, 2][~np.isnan(found.values[:, 2])]
    assert len(np.unique(used)) == len(used) >= 940


def test_runs_at_other_times_are_not_put_together() -> None:
    runs = [(stamps(100, 0.0), np.zeros(100))] * 2 + [
        (stamps(100, 80.0), np.zeros(100))
    ]
    assert together(runs, 0.5) is None
