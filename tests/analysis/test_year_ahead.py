"""The year that follows a month of ageing, told from hourly points of a rack.

The logarithmic law: MIL-PRF-55310, frequency aging, f0 + A ln(B t + 1), from memory.
"""

import numpy as np
import pytest
from seeds import seeded_generator
from tiers import seldom

from benchlog.analysis.fitting.ageing import ageing, year_ahead
from benchlog.errors import DataError

HOURS, YEAR = 721, 365.25
B_PER_DAY, RUN_IN_DAYS = 0.1, 30.0


def logarithmic(days):
    """Half a ppm in the year after the month, run in for a month before it."""
    grown = np.log1p(B_PER_DAY * (RUN_IN_DAYS + days))
    month = HOURS // 24
    ends = np.log1p(B_PER_DAY * (RUN_IN_DAYS + month + np.array([0.0, YEAR])))
    return 0.5 * (grown - grown[0]) / (ends[1] - ends[0])


def linear(days):
    return 0.5 * days / YEAR


@pytest.mark.parametrize(
    ("noise_ppm", "law", "devices", "least"),
    [
        (0.0005, logarithmic, 4, 3),  # a line alone holds none
        # of 20 at 95 %: fewer in 1.6 % (binomial)
        seldom(0.0005, logarithmic, 20, 17),
        seldom(0.0005, linear, 20, 17),
        seldom(0.005, logarithmic, 20, 17),
        seldom(0.005, linear, 20, 17),
    ],
)
def test_the_interval_holds_the_year_that_follows(noise_ppm, law, devices, least):
    rng = seeded_generator([16, round(noise_ppm * 1e4)])
    days = np.arange(HOURS) / 24
    held = 0
    for _ in range(devices):
        ppm = 3.0 + law(days) + noise_ppm * rng.standard_normal(HOURS)
        low, high, _ = year_ahead(ageing(days, ppm))
        held += low <= 0.5 <= high
    assert held >= least, held


def test_a_month_of_the_logarithmic_law_is_no_failed_device():
    """A line through the month makes 1.2 ppm of the half that the year brings."""
    rng = seeded_generator([16, 0])
    days = np.arange(HOURS) / 24
    laws = ageing(days, logarithmic(days) + 0.0005 * rng.standard_normal(HOURS))
    line = next(one for one in laws if one.law == "linear")
    assert line.coefficients[0].low * YEAR > 1.0
    low, high, _ = year_ahead(laws)
    assert low <= 0.5 <= high and low < 1.0


def test_what_is_too_short_for_a_year_is_told():
    days = np.arange(20) / 24
    rng = seeded_generator([16, 1])
    laws = ageing(days, 0.001 * rng.standard_normal(20))
    with pytest.raises(DataError, match="not stated"):
        year_ahead(laws)
