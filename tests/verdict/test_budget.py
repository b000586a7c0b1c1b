"""Budgets: JCGM 100:2008 (GUM), JCGM 101:2008, and a worked budget."""

import math

import numpy as np
import pytest
from seeds import seeded_generator

from benchlog.evaluation.wording import freedom_text
from benchlog.verdict.run.budget import (
    COVERAGE,
    BudgetLine,
    budget_of,
)
from benchlog.verdict.run.counter.resolution import SeenDigit, digit_line


def test_end_gauge():
    """GUM H.1: 25, 9.7, 2.9, 16.6 nm make 32 nm (components from memory)."""
    found = budget_of(BudgetLine(name="x", u_ppm=u) for u in (25, 9.7, 2.9, 16.6))
    assert found.u_ppm == pytest.approx(31.671, abs=5e-4)
    more = budget_of(BudgetLine(name="x", u_ppm=u) for u in (25, 9.7, 2.9, 16.6, 11.7))
    assert round(more.u_ppm) == 34  # with the second-order term (34.07 before rounding)
    assert found.k == pytest.approx(1.95996, abs=1e-5)


def test_worked_budget_of_five_readings():
    """Own worked budget: 8 MHz, 1 Hz step, reference +-0.05 ppm; all in Hz."""
    hz = 1e6 / 8e6
    found = budget_of(
        [
            BudgetLine(
                name="statistics", u_ppm=0.70710678 * hz, degrees_of_freedom=4.0
            ),
            digit_line(SeenDigit(1.0, 12**-0.5), 8e6, 1.0),
            BudgetLine(name="reference", u_ppm=0.05 / math.sqrt(3)),
        ]
    )
    assert found.lines[1].u_ppm == pytest.approx(0.28867513 * hz)
    assert found.lines[2].u_ppm == pytest.approx(0.23094011 * hz, rel=1e-7)
    assert found.u_ppm == pytest.approx(0.79791395 * hz, rel=1e-8)
    assert found.degrees_of_freedom == pytest.approx(6.48551111, rel=1e-7)
    # t of 4 degrees alone has 0.707 * 2.776 = 1.963; 5 million draws: 2.0766 +- 0.0007
    assert found.expanded_ppm == pytest.approx(2.0766 * hz, rel=1e-3)
    assert found.expanded_ppm == pytest.approx(found.k * found.u_ppm)


@pytest.mark.parametrize(
    ("freedom", "k"),
    [(1, 12.7062), (4, 2.7764), (10, 2.2281), (50, 2.0086), (100, 1.984)],
)
def test_one_line_with_few_degrees_of_freedom(freedom, k):
    """Student quantiles, 95 % (GUM table G.2)."""
    line = BudgetLine(name="x", u_ppm=0.3, degrees_of_freedom=freedom)
    assert budget_of([line]).k == pytest.approx(k, abs=1e-4)


@pytest.mark.parametrize(("shape", "k"), [("normal", 1.95996), ("rectangular", 1.6454)])
def test_one_line_without_doubt_of_its_size(shape, k):
    """A rectangular line has U = 0.95 a, a = u sqrt(3), not 1.155 a."""
    found = budget_of([BudgetLine(name="x", u_ppm=2.0, distribution=shape)])
    assert found.k == pytest.approx(k, abs=1e-4)
    assert found.expanded_ppm == pytest.approx(found.k * 2.0)


def test_few_degrees_of_freedom_are_not_averaged_away():
    """t of 1.5 degrees beside a normal line as large: 6.22.

    Welch and Satterthwaite give 6 degrees of freedom and U = 3.46.
    """
    found = budget_of(
        [
            BudgetLine(name="a", u_ppm=1.0),
            BudgetLine(name="b", u_ppm=1.0, degrees_of_freedom=1.5),
        ]
    )
    rng = seeded_generator(74)
    drawn = rng.normal(size=400_000) + rng.standard_t(1.5, 400_000)
    expected = float(np.quantile(np.abs(drawn), 0.95))
    assert found.expanded_ppm == pytest.approx(expected, rel=0.02)
    assert found.expanded_ppm > 1.7 * 3.46


def test_guard_and_probability_are_those_of_the_lines():
    found = budget_of(
        [
            BudgetLine(name="base", u_ppm=1.0, distribution="rectangular"),
            BudgetLine(name="statistics", u_ppm=0.5, degrees_of_freedom=5.0),
        ]
    )
    assert found.guard_ppm(0.025) == pytest.approx(found.expanded_ppm)
    for rate in (0.2, 1e-3):
        reach = found.guard_ppm(rate)
        assert found.probability_between(reach, math.inf) == pytest.approx(
            rate, rel=2e-3
        )


def test_degrees_of_freedom_beyond_counting_are_unlimited():
    # 1.47 degrees of a line that is a thousandth: nu_eff = 1.47e12
    found = budget_of(
        [
            BudgetLine(name="a", u_ppm=1.0),
            BudgetLine(name="b", u_ppm=1e-3, degrees_of_freedom=1.47),
        ]
    )
    assert (found.degrees_of_freedom, found.k) == (
        math.inf,
        pytest.approx(1.96, abs=1e-3),
    )
    known = budget_of(
        [
            BudgetLine(name="a", u_ppm=1.0),
            BudgetLine(name="b", u_ppm=0.2, degrees_of_freedom=1.47),
        ]
    )
    assert known.degrees_of_freedom == pytest.approx(1.47 * (1 + 0.2**2) ** 2 / 0.2**4)
    assert [freedom_text(one) for one in (math.inf, 2.8e7)] == ["many"] * 2
    assert freedom_text(994.0) == "994"


def test_resolution_behind_a_divider_counts_more():
    assert digit_line(SeenDigit(0.1, 0.1 / 12**0.5), 16e6, 1000).u_ppm == pytest.approx(
        6.25 / math.sqrt(12)
    )
    unknown = digit_line(SeenDigit(None), 16e6, 1.0)
    assert unknown.u_ppm == 0.0
    assert "not known" in unknown.text


def test_nothing_uncertain():
    found = budget_of(
        [
            BudgetLine(name="a", u_ppm=0.0),
            BudgetLine(name="b", u_ppm=0.0, degrees_of_freedom=3.0),
        ]
    )
    assert (found.u_ppm, found.expanded_ppm, found.k) == (0.0, 0.0, COVERAGE)
