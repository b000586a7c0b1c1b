"""Columns of numbers are written as Python writes each of them.

The peer is Python itself: `repr` and the format `.9g`.
"""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from seeds import seeded_generator
from tiers import seldom

from benchlog.exchange.export.number_texts import (
    float_texts,
    nine_digit_texts,
    whole_texts,
)

NEAR_BOUNDS = [
    *(0.0, -0.0, 1e-4, 9.999999999999999e-05, 1e16, 9999999999999998.0, 5e-324),
    *(1e9, 999999999.4999999, 999999999.5, 99999.99995, 0.00099999999999, 1e22),
    *(0.1 + 0.2, 2.0**53, 123456789.5, 12345678.25, 1234.5, math.inf, -math.inf),
]
DECIMALS = st.builds(
    lambda mantissa, places: mantissa / 10**places,
    st.integers(-(10**12), 10**12),
    st.integers(0, 12),
)
"""What counters show, and what lies just between two roundings."""
FLOATS = st.lists(
    st.one_of(st.floats(), DECIMALS, st.sampled_from(NEAR_BOUNDS)), min_size=1
)
BEHIND = st.sampled_from(["", ",", ', "ambient_c": ', "}\n"])


@pytest.mark.parametrize("examples", [30, seldom(100)])
def test_floats(examples):
    @settings(max_examples=examples)
    @given(FLOATS, BEHIND)
    def of(values, behind):
        written = float_texts(np.array(values), behind)
        assert written == [f"{one!r}{behind}" for one in values]

    of()


@pytest.mark.parametrize("examples", [30, seldom(100)])
def test_nine_digits(examples):
    @settings(max_examples=examples)
    @given(FLOATS, BEHIND)
    def of(values, behind):
        written = nine_digit_texts(np.array(values), behind)
        assert written == [f"{one:.9g}{behind}" for one in values]

    of()


@pytest.mark.parametrize("examples", [30, seldom(100)])
def test_whole_numbers(examples):
    @settings(max_examples=examples)
    @given(st.lists(st.integers(-(2**63), 2**63 - 1), min_size=1), BEHIND)
    def of(values, behind):
        assert whole_texts(np.array(values), behind) == [
            f"{one}{behind}" for one in values
        ]

    of()


@pytest.mark.parametrize("written", [float_texts, nine_digit_texts])
def test_every_magnitude_and_many_halves(written):
    """Hypothesis seldom draws halves of the tenth digit: here they all are."""
    drawn = seeded_generator(18)
    sizes = 10.0 ** drawn.integers(-20, 20, 20_000)
    halves = drawn.integers(10**8, 10**9, 20_000) + 0.5
    values = np.concatenate(
        [drawn.standard_normal(20_000) * sizes, halves, halves / 1024, halves / 1e4]
    )
    one_by_one = repr if written is float_texts else "{:.9g}".format
    assert written(values) == [one_by_one(one) for one in values.tolist()]


def test_nine_digits_just_below_a_power_of_ten():
    """Before, 999999999.9999998 stayed as it is: its logarithm is nine."""
    below = np.array([np.nextafter(float(f"1e{power}"), 0) for power in range(-5, 12)])
    assert nine_digit_texts(below) == [f"{one:.9g}" for one in below]


def test_what_is_unknown_has_a_word():
    assert float_texts(np.array([1.5, math.nan]), ",", none="null") == ["1.5,", "null,"]
