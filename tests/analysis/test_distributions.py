"""Our own tails and quantiles, held to closed forms, published series and SciPy.

What SciPy 1.17 itself is off by, against sums with 30 digits (measured here): 9e-6 of a
chi-squared quantile at 3e8 degrees of freedom, 5e-12 of a t probability at one, 4e-12
of a t quantile near the middle, 2e-9 of a binomial tail of a million.
"""

import itertools
import math

import numpy as np
import pytest
from scipy import special

from benchlog.analysis.distributions import (
    binomial_at_least,
    chi_squared_above,
    chi_squared_quantile,
    f_above,
    normal_below,
    normal_quantile,
    student_above,
    student_quantile,
)
from benchlog.analysis.stability.freedom import cosine_rest

RATES = (1e-12, 1e-9, 1e-6, 1e-4, 1.5e-4, 1e-3, 0.01, 0.025, 0.05, 0.16, 0.3, 0.45)
FREEDOMS = tuple(np.geomspace(0.1, 1e9, 41).tolist())
FEW = tuple(nu for nu in FREEDOMS if nu < 1e6)
"""Where SciPy is right to about 1e-12."""
MANY = tuple(nu for nu in FREEDOMS if nu > 3e5)
"""Where series in 1 / nu are as good as exact."""


def off(found: float, true: float, freedom: float = 1.0) -> float:
    """Return the relative error, per bit that the probability is known by."""
    return abs(found / true - 1.0) * min(1.0, freedom)


@pytest.mark.parametrize("rate", [*RATES, 0.4999999])
def test_t_with_one_and_two_degrees_of_freedom(rate: float) -> None:
    """Closed forms: N. L. Johnson et al., Continuous univariate distributions, ch. 28.

    From memory. Near the middle the error is one of the probability, 1e-16.
    """
    near = 1e-13 + 1e-15 / (0.5 - rate)
    assert off(-student_quantile(1.0, rate), 1.0 / math.tan(math.pi * rate)) < near
    two = (1.0 - 2.0 * rate) / math.sqrt(2.0 * rate * (1.0 - rate))
    assert off(-student_quantile(2.0, rate), two) < near


@pytest.mark.parametrize("rate", RATES)
def test_chi_squared_with_two_degrees_of_freedom(rate: float) -> None:
    """An exponential distribution of mean 2 (definition)."""
    for nu, above in ((2.0, rate), (2.0, 1.0 - rate)):
        assert off(chi_squared_quantile(nu, above), -2.0 * math.log(above)) < 1e-13


@pytest.mark.parametrize("freedom", FEW)
def test_quantiles_with_few_degrees_of_freedom(freedom: float) -> None:
    for rate in RATES:
        true = float(special.stdtrit(freedom, rate))
        assert off(student_quantile(freedom, rate), true, freedom) < 1e-12, rate
        assert student_quantile(freedom, 1.0 - rate) == pytest.approx(
            -student_quantile(freedom, 1.0 - (1.0 - rate)), rel=1e-15
        )
        for above in (rate, 1.0 - rate):
            true = float(special.chdtri(freedom, above))
            if true > 1e-290:
                found = chi_squared_quantile(freedom, above)
                assert off(found, true, freedom) < 1e-12, above


@pytest.mark.parametrize("freedom", MANY)
def test_quantiles_with_many_degrees_of_freedom(freedom: float) -> None:
    """Cornish-Fisher series: M. Abramowitz, I. A. Stegun, 26.7.5 and 26.2.49."""
    for rate in RATES:
        z = float(special.ndtri(rate))
        t = (
            z
            + (z**3 + z) / (4 * freedom)
            + (5 * z**5 + 16 * z**3 + 3 * z) / (96 * freedom**2)
        )
        assert off(student_quantile(freedom, rate), t) < 1e-12, rate
        for above, x in (
            (rate, -z),
            (1.0 - rate, float(special.ndtri(1.0 - (1.0 - rate)))),
        ):
            spread = math.sqrt(2.0 * freedom)
            true = (
                freedom
                + spread * x
                + 2 / 3 * (x * x - 1)
                + (x**3 - 7 * x) / (9 * spread)
                - (6 * x**4 + 14 * x * x - 32) / (405 * freedom)
            )
            assert off(chi_squared_quantile(freedom, above), true) < 1e-12, above


@pytest.mark.parametrize("freedom", FREEDOMS)
def test_a_tail_beyond_a_quantile_is_the_probability(freedom: float) -> None:
    """A round trip; what a quantile's last digit is worth grows with its exponent."""
    for rate in RATES:
        t = -student_quantile(freedom, rate)
        assert off(student_above(freedom, t), rate) < 2e-13, rate
        assert student_above(freedom, -t) == pytest.approx(1.0 - rate, abs=1e-15)
        x = chi_squared_quantile(freedom, rate)
        worth = 1e-13 + 1e-15 * math.sqrt(freedom)
        assert off(chi_squared_above(freedom, x), rate) < 10 * worth, rate


def test_tails_of_a_binomial_distribution() -> None:
    """Added up in whole numbers; the probability is k / 64, which a double holds."""
    for of, eighths in itertools.product((1, 2, 7, 40, 300), (1, 8, 32, 50, 63)):
        terms = [
            math.comb(of, k) * eighths**k * (64 - eighths) ** (of - k)
            for k in range(of + 1)
        ]
        for least in {0, 1, of // 3, of // 2, of - 1, of, of + 1}:
            true = sum(terms[least:]) / 64**of
            found = binomial_at_least(least, of, eighths / 64)
            assert found == pytest.approx(true, rel=1e-12), (of, eighths, least)
    half = binomial_at_least(500_000, 1_000_000, 0.5)
    middle = math.exp(
        math.lgamma(1e6 + 1) - 2 * math.lgamma(5e5 + 1) - 1e6 * math.log(2)
    )
    assert half == pytest.approx(0.5 + middle / 2, rel=1e-11)


def test_tails_of_f() -> None:
    for top, under in itertools.product((0.5, 1.0, 2.8, 40.0), (0.7, 3.0, 90.0, 1e4)):
        for ratio in (0.05, 0.5, 1.0, 1.7, 6.0):
            true = float(special.fdtrc(top, under, ratio))
            assert off(f_above(top, under, ratio), true) < 1e-11
    assert f_above(1.0, 7.0, 2.5**2) == pytest.approx(2 * student_above(7.0, 2.5))


def test_the_normal_distribution() -> None:
    for rate in np.geomspace(1e-300, 0.49, 300).tolist():
        assert off(normal_quantile(rate), float(special.ndtri(rate))) < 1e-14
    z = np.linspace(-37.0, 9.0, 400).reshape(20, 20)
    assert normal_below(z) == pytest.approx(special.ndtr(z), rel=1e-12, abs=0.0)
    assert normal_quantile(0.975) == -normal_quantile(1.0 - 0.975)
    assert (normal_quantile(0.5), normal_quantile(0.0)) == (0.0, -math.inf)


def test_what_lies_outside_is_no_number() -> None:
    assert math.isnan(student_quantile(0.0, 0.9))
    assert math.isnan(student_quantile(math.nan, 0.9))
    assert math.isnan(student_quantile(3.0, 1.5))
    assert math.isnan(chi_squared_quantile(-1.0, 0.9))
    assert math.isnan(chi_squared_quantile(3.0, math.nan))
    assert student_quantile(math.inf, 0.975) == normal_quantile(0.975)
    assert student_quantile(3.0, 1.0) == math.inf
    assert chi_squared_quantile(3.0, 0.0) == math.inf


def test_the_integral_of_one_less_the_cosine() -> None:
    whole = np.arange(0.0, 3000.0)
    x = np.pi * np.maximum(whole, 1.0)
    true = np.where(whole > 0, np.euler_gamma + np.log(x) - special.sici(x)[1], 0.0)
    assert np.abs(cosine_rest(whole) - true).max() < 1e-14
