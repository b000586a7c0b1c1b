"""A counter that repeats itself is told from one that is coarse, quiet or drifting."""

import math
from decimal import Decimal

import numpy as np
import pytest
import scipy
from hypothesis import given
from hypothesis import strategies as st
from seeds import seeded_generator
from tiers import seldom

from benchlog.analysis.repeats import Repeats, shown_digit

F = 16e6
LEAST_HZ = 0.016  # 1e-9 of 16 MHz


def told(values, digit=0.0) -> int:
    repeats = Repeats(LEAST_HZ)
    repeats.digit = digit
    for start in range(0, len(values), 7):
        repeats.feed(np.asarray(values[start : start + 7], dtype=float))
    return repeats.found()


def shown(values, digit):
    """Round as a counter with this digit prints it."""
    return np.round(np.round(values / digit) * digit, 4)


def white(rng, n=300, sigma=1.0):
    return F + rng.normal(0.0, sigma, n)


HONEST = {
    "much coarser than the noise": lambda r: shown(white(r, sigma=0.1), 1.0),
    "as coarse as the noise": lambda r: shown(white(r), 1.0),
    "a fifth": lambda r: shown(white(r), 0.2),
    "a thirtieth": lambda r: shown(white(r), 0.03),
    "cut off, not rounded": lambda r: shown(np.floor(white(r) / 0.5) * 0.5, 0.5),
    "random walk": lambda r: shown(F + np.cumsum(r.normal(0, 1, 300)), 0.2),
    "coarse random walk": lambda r: shown(F + np.cumsum(r.normal(0, 0.3, 300)), 1.0),
    "warming up": lambda r: shown(
        white(r, sigma=0.05) + 50 * np.exp(-np.arange(300) / 20), 1.0
    ),
    "touched for half a minute": lambda r: shown(
        white(r, sigma=0.05)
        + 30
        * np.clip(np.sin((np.arange(300) - 100) / 30 * math.pi), 0, 1)
        * ((np.arange(300) > 100) & (np.arange(300) < 130)),
        1.0,
    ),
    "telegraph": lambda r: shown(
        white(r, sigma=0.05) + 20 * (np.cumsum(r.random(300) < 0.05) % 2), 1.0
    ),
    "steps": lambda r: shown(
        white(r, sigma=0.05) + 40 * (np.arange(300) % 60 < 30), 1.0
    ),
}
HELD = {
    "each three times": lambda r: np.repeat(shown(white(r, 100), 0.1), 3),
    "each twice": lambda r: np.repeat(shown(white(r, 150), 0.1), 2),
    "each twice, few": lambda r: np.repeat(shown(white(r, 15), 0.1), 2),
    "held after fifty": lambda r: np.r_[shown(white(r, 50), 0.1), np.full(50, F)],
    "never anew": lambda r: np.full(40, 15_999_884.123),
}


USUAL = ("as coarse as the noise", "warming up", "telegraph")


@pytest.mark.parametrize("name", [x if x in USUAL else seldom(x) for x in HONEST])
def test_an_honest_counter_is_hardly_ever_suspected(name):
    rng = seeded_generator(1)
    assert sum(told(HONEST[name](rng)) > 0 for _ in range(300)) <= 1


@pytest.mark.parametrize("name", HELD)
def test_one_that_repeats_itself_is_found(name):
    rng = seeded_generator(2)
    assert all(told(HELD[name](rng)) for _ in range(50))


QUIET = 1e-5
"""Hz; a source that may be as quiet as that is not told by the least it must have."""


def early(values, digit=0.01):
    repeats = Repeats(QUIET)
    repeats.digit = digit
    for start in range(0, len(values), 7):
        repeats.feed(np.asarray(values[start : start + 7], dtype=float))
    return repeats.found()


@pytest.mark.parametrize("after", [4, 5, 7])
@pytest.mark.parametrize("true_digit", [0.01, 0.05])
def test_one_that_holds_after_a_few_values_is_found(after, true_digit):
    """Before, 4 values and 26 of the last were believed, of a quiet source."""
    rng = seeded_generator(6)
    found = [shown(white(rng, after), true_digit) for _ in range(300)]
    told_of = sum(early(np.r_[one, np.full(26, one[-1])]) > 0 for one in found)
    assert told_of / 300 > 0.55  # the least of a few differences is often small


EARLY = {
    "coarser than the noise": lambda r: shown(white(r, 30, 0.002), 0.01),
    "half the noise": lambda r: shown(white(r, 30, 0.005), 0.01),
    "as the noise": lambda r: shown(white(r, 30, 0.01), 0.01),
    "warming up at once": lambda r: shown(
        white(r, 30, 0.001) + 0.8 * np.exp(-np.arange(30) / r.uniform(0.3, 5)), 0.01
    ),
    "one step": lambda r: shown(
        white(r, 30, 0.001) + 0.5 * (np.arange(30) > r.integers(0, 6)), 0.01
    ),
    "one glitch": lambda r: shown(
        white(r, 30, 0.001) + 7.0 * (np.arange(30) == r.integers(0, 6)), 0.01
    ),
}


@pytest.mark.parametrize("name", EARLY)
def test_a_quiet_source_is_not_suspected_for_its_first_values(name):
    rng = seeded_generator(7)
    assert sum(early(EARLY[name](rng)) > 0 for _ in range(2000)) <= 1


def test_portions_do_not_matter():
    values = HELD["each twice"](seeded_generator(3))
    once = Repeats(LEAST_HZ)
    once.feed(values)
    assert once.found() == told(values) > 0


@given(st.floats(allow_nan=False) | st.decimals(0, 10**8, places=4).map(float))
def test_the_digit_that_a_value_shows_is_that_of_its_decimal(value):
    """Python's `decimal` follows the General Decimal Arithmetic Specification."""
    if math.isinf(value):
        assert shown_digit(value) == 0.0
        return
    shortest = Decimal(repr(value)).normalize()
    assert shown_digit(value) == 10.0 ** shortest.as_tuple().exponent


def test_a_known_digit_goes_before_what_is_shown():
    """A period counter's values have digits without end; its step is what counts."""
    assert shown_digit(1.0 / 6.1234e-8) < 1e-6
    assert told([15_999_884.123456] * 20) == 20
    assert told([15_999_884.123456] * 20, digit=1.0) == 0


def test_neighbours_are_alike_as_often_as_the_normal_distribution_has_it():
    """A difference of two rounded values is 0 with q f(0), f the density at 0."""
    rng = seeded_generator(4)
    values = shown(white(rng, n=200_000), 0.1)
    seen = np.mean(np.diff(values) == 0.0)
    assert seen == pytest.approx(
        0.1 * scipy.stats.norm(0, math.sqrt(2)).pdf(0), rel=0.05
    )
