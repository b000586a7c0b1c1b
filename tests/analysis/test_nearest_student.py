"""The Student distribution nearest to a mixture, against scipy's own t distribution."""

from itertools import product

import numpy as np
import pytest
import scipy
from seeds import seeded_generator

from benchlog.analysis.nearest_student import as_student


@pytest.mark.parametrize("freedom", [1.5, 6.0, 8.5, 30.0, 250.0])
def test_one_alone_is_its_own(freedom):
    u, found = as_student(np.ones((1, 1)), np.array([[-2.0]]), np.array([freedom]))
    half = scipy.stats.t.ppf(0.975, freedom) * np.exp(-2.0)
    assert u[0] * scipy.stats.t.ppf(0.975, found[0]) == pytest.approx(half, rel=2e-3)


@pytest.mark.parametrize("freedom", [3.0, 12.0, 90.0])
def test_a_mixture_keeps_its_bounds(freedom):
    rng = seeded_generator(int(freedom))
    weight = rng.dirichlet(np.full(40, 0.3), size=3)
    log_u = rng.normal(0.0, 0.8, (3, 40))
    u, found = as_student(weight, log_u, np.full(3, freedom))
    for row, (share, tolerance) in product(range(3), ((0.95, 0.01), (0.9997, 0.03))):

        def beyond(x, row=row, share=share):
            inside = 2 * scipy.stats.t.cdf(x / np.exp(log_u[row]), freedom) - 1
            return float(weight[row] @ inside) - share

        half = u[row] * scipy.stats.t.ppf((1.0 + share) / 2.0, found[row])
        assert half == pytest.approx(
            scipy.optimize.brentq(beyond, 1e-3, 1e4), rel=tolerance
        )


def test_the_series_goes_on_where_scipy_leaves_off():
    """From 8 degrees of freedom on a series is taken; 8.0 lies on its edge."""
    rng = seeded_generator(8)
    weight, log_u = rng.dirichlet(np.ones(60), size=1), rng.normal(0.0, 1.0, (1, 60))
    below, above = (
        as_student(weight, log_u, np.array([8.0 * (1.0 + off)]))
        for off in (-1e-11, 1e-11)
    )
    assert below[0] == pytest.approx(above[0], rel=1e-9)
    assert below[1] == pytest.approx(above[1], rel=1e-8)
