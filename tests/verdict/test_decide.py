"""Guarded acceptance and conformance probability.

Sources: JCGM 106:2012, 7 (examples of 7.3.3: scenario from memory, arithmetic
recomputed); ILAC-G8:09/2019 for the guard band w = U.
"""

import math

import pytest

from benchlog.model import Decision
from benchlog.verdict.run.budget import Budget, BudgetLine, budget_of
from benchlog.verdict.run.decision import conformance_probability, word_for, worst
from benchlog.verdict.run.jitter import Scatter, jitter_verdict


def known_to(u: float, freedom: float = math.inf) -> Budget:
    return budget_of([BudgetLine(name="u", u_ppm=u, degrees_of_freedom=freedom)])


@pytest.mark.parametrize(
    ("y", "expected"),
    [
        (40, 0.999968329),
        (45, 0.977249868),
        (46, 0.945200708),
        (-47, 0.884930330),
        (49, 0.655421742),
        (50, 0.500000000),
        (51, 0.344578258),
    ],
)
def test_conformance_at_50_ppm(y, expected):
    found = conformance_probability(y, known_to(2.5), -50, 50)
    assert found == pytest.approx(expected, abs=5e-10)


def test_published_one_sided_examples():
    zener = conformance_probability(-5.47, known_to(0.05), upper=-5.40)
    assert zener == pytest.approx(0.92, abs=0.005)
    assert zener == pytest.approx(0.9192433, abs=1e-7)
    burst = conformance_probability(509.7, known_to(8.6), lower=490)
    assert burst == pytest.approx(0.9890095, abs=1e-7)


def test_few_readings_are_judged_by_the_curve_that_u_is_taken_from():
    """t with 1 degree of freedom is Cauchy's: F(x) = 1/2 + atan(x)/pi."""
    found = conformance_probability(45, known_to(2.5, 1), upper=50)
    assert found == pytest.approx(0.5 + math.atan(2) / math.pi, abs=1e-12)
    both = conformance_probability(0, known_to(1.0, 1), -2, 2)
    assert both == pytest.approx(2 * math.atan(2) / math.pi, abs=1e-12)
    # 10 readings of an RC oscillator: +9,737 ppm, u 16.3 ppm, 1.29 degrees of freedom
    rc = conformance_probability(9737, known_to(16.3, 1.29), -10_000, 10_000)
    assert rc == pytest.approx(0.9905, abs=2e-4)


@pytest.mark.parametrize("freedom", [1.0, 1.29, 3.0, 10.0, 59.9])
def test_a_limit_that_u_just_touches_is_kept_with_97_5_percent(freedom):
    """JCGM 106:2012, 8.3.2 with the t-quantiles of GUM table G.2."""
    budget = known_to(2.5, freedom)
    found = conformance_probability(50 - budget.expanded_ppm, budget, upper=50)
    assert found == pytest.approx(0.975, abs=1e-9)


def test_a_bound_alone_is_certain_beyond_its_ends():
    """Rectangular of half width 1: what lies within 1 of the limit may be beyond it."""
    line = BudgetLine(name="u", u_ppm=1 / math.sqrt(3), distribution="rectangular")
    bound = budget_of([line])
    assert conformance_probability(48.9, bound, upper=50) == 1.0
    assert conformance_probability(49.5, bound, upper=50) == pytest.approx(0.75)
    assert conformance_probability(51.1, bound, upper=50) == 0.0


def test_without_uncertainty_the_value_decides():
    assert conformance_probability(50, known_to(0.0), -50, 50) == 1.0
    assert conformance_probability(50.1, known_to(0.0), -50, 50) == 0.0


@pytest.mark.parametrize(
    ("offset", "word"),
    [
        (45, Decision.PASS),  # 50 ppm with U = 5: acceptance limit 45 (ILAC-G8)
        (-45, Decision.PASS),
        (45.01, Decision.UNDECIDED),
        (-50, Decision.UNDECIDED),
        (55, Decision.UNDECIDED),
        (55.01, Decision.FAIL),
        (-55.01, Decision.FAIL),
    ],
)
def test_guard_band(offset, word):
    assert word_for(offset, 5.0, 50.0) is word


def test_risk_at_the_acceptance_limit():
    """2.275013195 % one-sided two standard uncertainties from the limit."""
    risk = 1 - conformance_probability(45, known_to(2.5), upper=50)
    assert risk == pytest.approx(0.02275013195, abs=1e-10)


def test_the_worst_word():
    assert worst(Decision.PASS, Decision.UNDECIDED) is Decision.UNDECIDED
    assert worst(Decision.UNDECIDED, Decision.FAIL, Decision.PASS) is Decision.FAIL


@pytest.mark.parametrize(
    ("rms", "word"),
    [(0.3, Decision.PASS), (0.5, Decision.UNDECIDED), (0.9, Decision.FAIL)],
)
def test_jitter(rms, word):
    """Chi-squared at 20: 9.590777, 34.169607 (any table)."""
    found = jitter_verdict(Scatter(rms, 20), Scatter(rms, 14), 0.5)
    assert found.word is word
    assert found.low_ppm == pytest.approx(rms * (20 / 34.169607) ** 0.5, rel=1e-6)
    assert found.high_ppm == pytest.approx(rms * (20 / 9.590777) ** 0.5, rel=1e-6)


def test_large_jitter_is_said_like_all_other_figures():
    said = jitter_verdict(Scatter(70_548.0, 20), Scatter(7e4, 14), 0.5).text
    assert said.startswith("jitter 70,548 ppm rms (95 %: 53,97")
    assert "e+0" not in said


def test_jitter_of_too_few_readings():
    found = jitter_verdict(None, None, 0.5)
    assert (found.word, found.low_ppm) == (Decision.UNDECIDED, None)
    assert "at least 3" in found.text


@pytest.mark.parametrize(
    ("line", "gate", "word", "said"),
    [
        (0.704, 0.003, Decision.PASS, "moves slowly or in steps by 0.704 ppm rms"),
        (0.704, 0.003, Decision.PASS, "the jitter limit of 0.5 ppm is met"),
        (9.0, 0.6, Decision.FAIL, "more than the jitter limit"),
        (9.0, 0.5, Decision.UNDECIDED, "too near the jitter limit"),
        (0.6, 0.6, Decision.FAIL, "exceeds 0.5 ppm"),
        (0.53, 0.51, Decision.UNDECIDED, "too near 0.5 ppm to tell"),
    ],
)
def test_slow_movement_is_no_jitter(line, gate, word, said):
    """A room that goes from 0 to 60 C moves a good crystal, it does not shake it."""
    found = jitter_verdict(Scatter(line, 300), Scatter(gate, 200), 0.5)
    assert found.word is word
    assert said in found.text
    assert found.rms_ppm == line


def test_jitter_without_neighbours_is_not_judged():
    found = jitter_verdict(Scatter(9.0, 30), None, 0.5)
    assert found.word is Decision.UNDECIDED
    assert "no two readings follow each other" in found.text
