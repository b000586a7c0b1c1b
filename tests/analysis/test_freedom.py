"""Degrees of freedom and intervals against exact values.

The exact ones are an own derivation, (tr S)^2/tr(S^2) computed as a trace for Gaussian
white FM and 1000 frequency values; the interval rule is SP 1065 eq. 45.
"""

import numpy as np
import pytest
from noise_makers import allan_variance, make
from seeds import seeded_generator
from tiers import seldom

from benchlog.analysis.stability.difference_sums import total_squares
from benchlog.analysis.stability.freedom import (
    Differences,
    equivalent_freedom,
    interval,
    total_freedom,
)
from benchlog.analysis.stability.total_variance import (
    DRIFT_SHORT,
    TOTAL_SHORT,
    bias_of,
    total_bias,
)

N = 1000
EXACT = [
    (Differences(order=2, m=1, pairs=999), 666.2222964),
    (Differences(order=2, m=10, pairs=981), 146.0723257),
    (Differences(order=2, m=100, pairs=801), 12.81326778),
    (Differences(order=2, m=10, pairs=972, averaged=True), 95.10933960),
    (Differences(order=2, m=100, pairs=702, averaged=True), 7.414439433),
    (Differences(order=2, m=10, pairs=99, averaged=False, stride=10), 66.22297297),
    (Differences(order=2, m=100, pairs=9, averaged=False, stride=100), 6.230769231),
    (Differences(order=3, m=1, pairs=998), 513.5217690),
    (Differences(order=3, m=10, pairs=971), 123.8135669),
    (Differences(order=3, m=100, pairs=701), 9.921299951),
]


@pytest.mark.parametrize(("differences", "edf"), EXACT)
def test_white_fm_is_exact(differences, edf):
    assert equivalent_freedom(differences, 0) == pytest.approx(edf, rel=1e-8)


@pytest.mark.parametrize("m", [2, 10, 50])
@pytest.mark.parametrize("alpha", [2, 1, 0, -1, -2])
def test_near_the_closed_formulas_of_sp1065_table_5(m, alpha):
    """The handbook's simple formulas are fits, good to a few per cent."""
    n = N + 1
    simple = {
        2: (n + 1) * (n - 2 * m) / (2 * (n - m)),
        1: np.exp(np.sqrt(np.log((n - 1) / 2 / m) * np.log((2 * m + 1) * (n - 1) / 4))),
        0: (3 * (n - 1) / 2 / m - 2 * (n - 2) / n) * 4 * m**2 / (4 * m**2 + 5),
        -1: 5 * n**2 / (4 * m * (n + 3 * m)),
        -2: (n - 2) / m * ((n - 1) ** 2 - 3 * m * (n - 1) + 4 * m**2) / (n - 3) ** 2,
    }[alpha]
    found = equivalent_freedom(Differences(order=2, m=m, pairs=n - 2 * m), alpha)
    assert found == pytest.approx(simple, rel=0.25 if alpha == 1 else 0.12)


@pytest.mark.parametrize(
    ("kind", "alpha"),
    [
        ("white PM", 2),
        ("white FM", 0),
        seldom("flicker FM", -1),
        ("random-walk FM", -2),
    ],
)
def test_scatter_of_simulated_estimates(kind, alpha):
    y = make(kind, seeded_generator(11), 4000, 200)
    x = np.cumsum(np.pad(y, ((0, 0), (1, 0))), axis=1)
    m = 10
    second = x[:, 2 * m :] - 2 * x[:, m:-m] + x[:, : -2 * m]
    variances = (second**2).mean(axis=1)
    edf = 2 * variances.mean() ** 2 / variances.var()
    exact = equivalent_freedom(Differences(order=2, m=m, pairs=second.shape[1]), alpha)
    assert exact == pytest.approx(edf, rel=0.08)


def test_thinning_hardly_changes_anything():
    for alpha in (2, 1, 0, -1, -2):
        near = [
            equivalent_freedom(Differences(order=2, m=m, pairs=100_001 - 2 * m), alpha)
            for m in (127, 128, 129, 130)
        ]
        assert np.ptp(near) / near[0] < 0.04


def test_interval_of_the_worked_example():
    """SP 1065 eq. 45 at s = 9.159953e-02, edf = 146.17679, recomputed chi-squares."""
    s = 9.159953420119e-02
    low, high = interval(s, 146.17678618)
    assert low == pytest.approx(8.219488785e-02, rel=1e-8)
    assert high == pytest.approx(1.034535721e-01, rel=1e-8)
    # The printed bounds (from memory) used an approximate inverse chi-squared; the
    # upper one is one-sided: 5 %.
    assert low == pytest.approx(8.223942e-02, rel=1e-3)
    one_sided = interval(s, 146.17678618, 0.90)[1]
    assert one_sided == pytest.approx(1.014218251e-01, rel=1e-8)
    assert one_sided == pytest.approx(1.014923e-01, rel=1e-3)


def test_total_deviation_freedom():
    """SP 1065 table 7 far from m = 1; there it is the Allan deviation, with its edf."""
    assert total_freedom(100_001, 1000, 0) == pytest.approx(150.0)
    assert total_freedom(100_001, 1000, -1) == pytest.approx(1.17 * 100 - 0.22)
    assert total_freedom(100_001, 1000, -0.5) == pytest.approx((150 + 116.78) / 2)
    assert total_freedom(100_001, 1000, 2) is None
    assert total_freedom(1001, 1, 0) == pytest.approx(666.2222964)  # EXACT, above


USUAL = {
    *(("white FM", 2), ("flicker FM", 1), ("flicker FM", 20), ("random-walk FM", 4))
}


@pytest.mark.parametrize(
    ("kind", "m"),
    [
        (kind, m) if (kind, m) in USUAL else seldom(kind, m)
        for kind in ("white FM", "flicker FM", "random-walk FM")
        for m in (1, 2, 4, 20)
    ],
)
def test_total_variance_has_the_mean_and_the_freedom_of_simulated_ones(kind, m):
    """Own simulation: mean over the true Allan variance, and edf from the scatter."""
    alpha = {"white FM": 0, "flicker FM": -1, "random-walk FM": -2}[kind]
    n, runs = 100, 3000
    found = np.array(
        [
            total_squares(np.concatenate(([0.0], np.cumsum(y))), m)[0] / (2.0 * m * m)
            for y in make(kind, seeded_generator(12), runs, n)
        ]
    )
    edf = 2.0 * found.mean() ** 2 / found.var()
    assert total_freedom(n + 1, m, alpha) == pytest.approx(edf, rel=0.13)
    bias = total_bias(m, n, bias_of(TOTAL_SHORT, alpha))
    mean = found.mean() / allan_variance(kind, m, n)
    apart = 4.0 * found.std() / found.mean() / runs**0.5
    assert mean == pytest.approx(bias, abs=0.01 + apart)


def test_a_pure_drift_has_the_bias_that_was_derived():
    n, m = 20_000, 1000
    phase = 0.5 * np.arange(n + 1.0) ** 2
    found = total_squares(phase, m)[0] / (2.0 * m * m)
    assert found / (m * m / 2.0) == pytest.approx(total_bias(m, n, DRIFT_SHORT), 1e-3)
