"""Capability and fraction defective against recomputed and reference values."""

import math

import numpy as np
import pytest
import scipy
from hypothesis import given
from hypothesis import strategies as st
from seeds import seeded_generator

from benchlog.verdict.lot.capability import at_most, capability, clopper_pearson


def scaled(mean: float, sd: float, n: int = 101) -> list[float]:
    """Values with exactly this mean and standard deviation."""
    z = np.linspace(-1, 1, n)
    return list(mean + sd * (z - z.mean()) / z.std(ddof=1))


def test_worked_example() -> None:
    """Limits +-50, mean 5, sigma 10: Cp = 1.6667, Cpk = 1.5 (recomputed)."""
    found = capability(scaled(5.0, 10.0), 50.0)
    assert found is not None and found.cp is not None and found.cpk is not None
    assert found.cp.value == pytest.approx(5 / 3)
    assert found.cpk.value == pytest.approx(1.5)
    tails = scipy.stats.norm.sf(4.5) + scipy.stats.norm.cdf(-5.5)
    assert tails * 1e6 == pytest.approx(3.41666, abs=5e-6)


def test_interval_of_cpk_is_the_handbooks() -> None:
    """Cpk +- z sqrt(1/(9n) + Cpk^2/(2(n-1))), e-Handbook 6.1.6, from memory."""
    found = capability(scaled(5.0, 10.0), 50.0)
    assert found is not None and found.cpk is not None
    half = 1.959963985 * math.sqrt(1 / (9 * 101) + 1.5**2 / 200)
    assert found.cpk.low == pytest.approx(1.5 - half, rel=1e-8)
    assert found.cpk.high == pytest.approx(1.5 + half, rel=1e-8)


def test_intervals_of_mean_and_sd_are_scipys() -> None:
    values = seeded_generator(5).normal(3.0, 2.0, 25)
    found = capability(list(values), 30.0)
    assert found is not None
    mean = scipy.stats.t.interval(0.95, 24, values.mean(), scipy.stats.sem(values))
    assert (found.mean_ppm.low, found.mean_ppm.high) == pytest.approx(mean)
    edges = values.std(ddof=1) * np.sqrt(24 / scipy.stats.chi2.ppf([0.975, 0.025], 24))
    assert (found.sd_ppm.low, found.sd_ppm.high) == pytest.approx(edges)


def test_intervals_cover_what_they_promise() -> None:
    """2,000 normal lots of 50: Cp's exactly, Cpk's nearly (it is approximate)."""
    rng = seeded_generator(11)
    inside_cp = inside_cpk = 0
    for _ in range(2000):
        found = capability(list(rng.normal(5.0, 10.0, 50)), 50.0)
        assert found is not None and found.cp is not None and found.cpk is not None
        inside_cp += found.cp.low <= 5 / 3 <= found.cp.high
        inside_cpk += found.cpk.low <= 1.5 <= found.cpk.high
    for inside in (inside_cp, inside_cpk):
        share = clopper_pearson(inside, 2000, 0.999)
        assert share is not None
        assert share.low - 0.01 <= 0.95 <= share.high + 0.01


def test_what_all_devices_share_stays_however_many_there_are() -> None:
    """Mean and time base add by squares: 0.3 and 0.4 make 0.5 (JCGM 100, 5.1.2)."""
    values = scaled(5.0, 0.01, 400)
    alone, shared = capability(values, 30.0), capability(values, 30.0, 0.4)
    assert alone is not None and shared is not None
    own = alone.mean_ppm.high - alone.mean_ppm.value
    half = shared.mean_ppm.high - shared.mean_ppm.value
    assert own < 0.002 and half == pytest.approx(math.hypot(own, 0.4))
    assert alone.cpk is not None and shared.cpk is not None
    moved = (30.0 - 5.0 - 0.4) / (3 * 0.01)  # the mean at the end of its interval
    assert shared.cpk.low < moved
    assert shared.cpk.half == pytest.approx(math.hypot(alone.cpk.half, 0.4 / 0.03))
    assert shared.sd_ppm == alone.sd_ppm and shared.cp == alone.cp


@pytest.mark.parametrize(("n", "stated"), [(3, False), (24, False), (25, True)])
def test_a_handful_states_no_capability(n: int, stated: bool) -> None:
    """The handbook's interval wants 25 values at least (6.1.6, from memory)."""
    found = capability(scaled(5.0, 10.0, n), 50.0)
    assert found is not None
    assert (found.cp is not None, found.cpk is not None) == (stated, stated)


def test_too_little_and_nothing_that_scatters() -> None:
    assert capability([1.0], 30.0) is None
    same = capability([1.0, 1.0, 1.0], 30.0)
    assert same is not None and same.cp is None and same.cpk is None
    assert same.mean_ppm.low == same.mean_ppm.high == 1.0


@pytest.mark.parametrize(
    ("count", "n", "low", "high"),
    [
        # recomputed, beta quantiles
        (0, 10, 0.0, 0.308497108),
        (1, 10, 0.002528579, 0.445016117),
        (5, 10, 0.187086028, 0.812913972),
        (0, 50, 0.0, 0.071121736),
        (2, 80, 0.003042086, 0.087407156),
        (10, 100, 0.049004689, 0.176222598),
        (95, 100, 0.887165089, 0.983568121),
        (20, 20, 0.831566529, 1.0),
    ],
)
def test_clopper_pearson(count: int, n: int, low: float, high: float) -> None:
    found = clopper_pearson(count, n)
    assert found is not None
    assert (found.low, found.high) == pytest.approx((low, high), abs=5e-10)
    assert found.value == count / n


@given(n=st.integers(1, 3000), share=st.floats(0, 1))
def test_clopper_pearson_is_scipys_exact_interval(n: int, share: float) -> None:
    count = round(share * n)
    found = clopper_pearson(count, n)
    exact = scipy.stats.binomtest(count, n).proportion_ci(0.95, "exact")
    assert found is not None
    assert (found.low, found.high) == pytest.approx((exact.low, exact.high), abs=1e-12)


@pytest.mark.parametrize(("n", "bound"), [(59, 0.049508), (299, 0.009969)])
def test_no_failure_in_so_many_is_less_than_so_much(n: int, bound: float) -> None:
    """One-sided 95 %, recomputed: 59 without a failure say "below 5 %"."""
    assert at_most(0, n) == pytest.approx(bound, abs=5e-7)
    assert at_most(n, n) == 1.0


def test_of_nothing_nothing_is_known_and_no_count_is_refused() -> None:
    assert clopper_pearson(0, 0) is None
    with pytest.raises(ValueError, match="5 of 3"):
        clopper_pearson(5, 3)
