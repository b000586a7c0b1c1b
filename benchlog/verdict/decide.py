"""The decision: guarded acceptance after JCGM 106:2012, and conformance probability."""

import math
from dataclasses import dataclass

from scipy.special import chdtri, ndtr

from benchlog.model import Word

_WORST = (Word.FAIL, Word.UNDECIDED, Word.PASS)


def word_for(offset_ppm: float, expanded_ppm: float, limit_ppm: float) -> Word:
    """Pass if |offset| + U <= limit, fail if |offset| - U > limit, else undecided."""
    if abs(offset_ppm) + expanded_ppm <= limit_ppm:
        return Word.PASS
    if abs(offset_ppm) - expanded_ppm > limit_ppm:
        return Word.FAIL
    return Word.UNDECIDED


def conformance_probability(
    value: float, u: float, lower: float = -math.inf, upper: float = math.inf
) -> float:
    """Return p_c = Phi((T_U - y)/u) - Phi((T_L - y)/u), JCGM 106:2012, 7.

    `u` is the standard uncertainty; at u = 0 the value itself decides.
    """
    if u <= 0:
        return 1.0 if lower <= value <= upper else 0.0
    return float(ndtr((upper - value) / u) - ndtr((lower - value) / u))


def worst(*words: Word) -> Word:
    """Return the worst of some words: fail before undecided before pass."""
    return min(words, key=_WORST.index)


@dataclass(frozen=True, slots=True)
class JitterVerdict:
    """The jitter held against the part's limit, with its 95 % interval, ppm rms."""

    word: Word
    limit_ppm: float
    rms_ppm: float | None
    low_ppm: float | None
    high_ppm: float | None
    text: str


def jitter_verdict(
    rms_ppm: float | None, degrees_of_freedom: int, limit_ppm: float
) -> JitterVerdict:
    """Judge a standard deviation by its chi-squared interval.

    The interval s sqrt(nu/chi2) holds for scatter that is independent from reading
    to reading and normal.
    """
    if rms_ppm is None or degrees_of_freedom < 1:
        text = "jitter needs at least 3 readings"
        return JitterVerdict(Word.UNDECIDED, limit_ppm, None, None, None, text)
    low = rms_ppm * math.sqrt(degrees_of_freedom / chdtri(degrees_of_freedom, 0.025))
    high = rms_ppm * math.sqrt(degrees_of_freedom / chdtri(degrees_of_freedom, 0.975))
    said = f"jitter {rms_ppm:.3g} ppm rms (95 %: {low:.3g} to {high:.3g})"
    if high <= limit_ppm:
        word, text = Word.PASS, f"{said} is within {limit_ppm:g} ppm"
    elif low > limit_ppm:
        word, text = Word.FAIL, f"{said} exceeds {limit_ppm:g} ppm"
    else:
        word, text = Word.UNDECIDED, f"{said} is too near {limit_ppm:g} ppm to tell"
    return JitterVerdict(word, limit_ppm, rms_ppm, low, high, text)
