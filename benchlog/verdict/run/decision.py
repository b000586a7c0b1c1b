"""The decision: guarded acceptance after JCGM 106:2012, and conformance probability."""

import math

from scipy.special import ndtr, stdtr

from benchlog.model import Decision
from benchlog.verdict.run.budget import MANY

_WORST = (Decision.FAIL, Decision.UNDECIDED, Decision.PASS)


def word_for(offset_ppm: float, expanded_ppm: float, limit_ppm: float) -> Decision:
    """Pass if |offset| + U <= limit, fail if |offset| - U > limit, else undecided."""
    if abs(offset_ppm) + expanded_ppm <= limit_ppm:
        return Decision.PASS
    if abs(offset_ppm) - expanded_ppm > limit_ppm:
        return Decision.FAIL
    return Decision.UNDECIDED


def conformance_probability(
    value: float,
    u: float,
    lower: float = -math.inf,
    upper: float = math.inf,
    degrees_of_freedom: float = math.inf,
) -> float:
    """Return p_c = F((T_U - y)/u) - F((T_L - y)/u), JCGM 106:2012, 7.

    `u` is the standard uncertainty; at u = 0 the value itself decides. F is what the
    coverage factor comes from: Student's t with the budget's effective degrees of
    freedom (JCGM 101:2008, 6.4.9), normal when they are many. A limit that U just
    touches is so kept with 97.5 %, however few the readings.
    """
    if u <= 0:
        return 1.0 if lower <= value <= upper else 0.0
    above, below = (upper - value) / u, (lower - value) / u
    if degrees_of_freedom >= MANY:
        return float(ndtr(above) - ndtr(below))
    found = stdtr(degrees_of_freedom, [below, above])
    return float(found[1] - found[0])


def worst(*words: Decision) -> Decision:
    """Return the worst of some words: fail before undecided before pass."""
    return min(words, key=_WORST.index)
