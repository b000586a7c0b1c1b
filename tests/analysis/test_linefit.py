"""Sums as two doubles, held against exact fractions (Python's standard library).

Source of the two-sum: D. E. Knuth, The Art of Computer Programming, vol. 2, 4.2.2
(from memory).
"""

from fractions import Fraction

import numpy as np
import pytest
from seeds import seeded_generator

from benchlog.analysis.linefit import two_fold


@pytest.mark.parametrize("n", [0, 1, 64, 65, 129, 1_000, 16_385])
def test_a_sum_keeps_twice_the_digits(n):
    rng = seeded_generator(n)
    values = rng.standard_normal(n) * 10.0 ** rng.uniform(-12, 12, n)
    exact = sum(map(Fraction, values.tolist()), Fraction(0))
    hi, lo = two_fold(values)
    assert hi == float(exact)
    size = float(np.abs(values).sum())
    assert abs(float(exact - Fraction(hi) - Fraction(lo))) <= 1e-28 * size


def test_what_cancels_leaves_what_is_small():
    values = np.tile([1e16, 1.0, -1e16, 1e-9], 5_000)
    exact = sum(map(Fraction, values.tolist()), Fraction(0))
    assert two_fold(values)[0] == pytest.approx(float(exact), rel=1e-12)
