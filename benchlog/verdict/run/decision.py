"""The decision: guarded acceptance after JCGM 106:2012, and conformance probability."""

import math

from benchlog.model import Decision
from benchlog.verdict.run.budget import Budget

_WORST = (Decision.FAIL, Decision.UNDECIDED, Decision.PASS)


def word_for(offset_ppm: float, expanded_ppm: float, limit_ppm: float) -> Decision:
    """Pass if |offset| + U <= limit, fail if |offset| - U > limit, else undecided."""
    if abs(offset_ppm) + expanded_ppm <= limit_ppm:
        return Decision.PASS
    if abs(offset_ppm) - expanded_ppm > limit_ppm:
        return Decision.FAIL
    return Decision.UNDECIDED


def conformance_probability(
    value: float, budget: Budget, lower: float = -math.inf, upper: float = math.inf
) -> float:
    """Return p_c = F(T_U - y) - F(T_L - y), JCGM 106:2012, 7.

    F is the distribution that U is taken from, the budget's lines convolved: a limit
    that U just touches is kept with 97.5 %. Without uncertainty the value decides.
    """
    return budget.probability_between(lower - value, upper - value)


def worst(*words: Decision) -> Decision:
    """Return the worst of some words: fail before undecided before pass."""
    return min(words, key=_WORST.index)
