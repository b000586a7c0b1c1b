"""How readings are spread: bins for scatter, none for rounding."""

import math

import numpy as np
import pytest
from seeds import seeded_generator

from benchlog.analysis.spread import spread_of


def test_bins_hold_all_readings_between_their_ends():
    ppm = seeded_generator(1).standard_normal(5_000)
    found = spread_of(ppm)
    assert found.counts.sum() == 5_000
    assert found.edges_ppm[[0, -1]].tolist() == [ppm.min(), ppm.max()]
    assert found.span_ppm == ppm.max() - ppm.min()
    assert 5 <= len(found.counts) == len(found.edges_ppm) - 1 <= 60


@pytest.mark.parametrize("level", [0.25, -0.25, 0.0])
def test_rounding_is_no_scatter(level):
    """One unit in the last place (IEEE 754) apart: no bin would have a width."""
    ppm = np.full(100, level)
    assert spread_of(ppm) is None
    ppm[::2] = np.nextafter(level, math.inf)
    assert spread_of(ppm) is None


@pytest.mark.parametrize("ppm", [np.arange(9.0), np.array([*range(20), math.inf])])
def test_too_few_or_absurd_ones_have_no_spread(ppm):
    assert spread_of(ppm) is None
