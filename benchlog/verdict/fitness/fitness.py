"""What a source is good for: its worst case held against what uses tolerate.

The worst case is a straight sum, not a root of squares: offset, its uncertainty, the
restlessness of the moment, what temperature does, ageing. They are bounds, and a
product has to work when they meet.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

from benchlog.model import Part, Use
from benchlog.units import signed_digits, three_digits
from benchlog.verdict.fitness.serial_links import (
    Allowance,
    allowance,
    divisor_for,
    rate_error_ppm,
    serial_step_hz,
)
from benchlog.verdict.fitness.source import (
    UNCERTAINTY,
    Conditions,
    Source,
    Span,
    Swing,
    promised_source,
)

HEADROOM: Final = 0.1
"""With less than this share of the tolerance left a use is marginal. Our rule."""


OTHER_END: Final = "other end"
OtherEnd = float | Source | None


class FitnessDecision(StrEnum):
    """Whether a source will do for a use, from best to worst."""

    FITS = "fits"
    MARGINAL = "marginal"
    UNFIT = "unfit"


@dataclass(frozen=True, slots=True)
class Divided:
    """A rate made by a whole divisor: its error at nominal, and the worst case."""

    divisor: int
    error_ppm: float
    worst_ppm: float
    verdict: FitnessDecision


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitness:
    """What came out for one use.

    Parameters
    ----------
    use : Use
        The use.
    tolerance_ppm : float
        What is left for this source: of what two ends share, less the other end's.
    worst_ppm : float
        The largest offset that the source may have, in the rate that the use sees.
    margin : float
        Share of the tolerance that is left, 1 - worst / tolerance; below 0 it is
        exceeded. Minus infinity when nothing is left to this source.
    verdict : Fit
        Fits; marginal (little is left, more than is recommended, or the uncertainty of
        the measurement decides); unfit.
    dominant : str
        The term that contributes most on the side of the worst case.
    terms : tuple of Swing
        All that was added up.
    text : str
        Why, in words.
    other_end_ppm : float | None
        What was taken for the other end of a link.
    divided : Divided | None
        The divisor that firmware would choose from the nominal frequency.
    retuned : Divided | None
        The divisor that suits the measured frequency best.
    range_c : (float, float)
        The ambient temperatures that are counted.

    """

    use: Use
    tolerance_ppm: float
    worst_ppm: float
    margin: float
    verdict: FitnessDecision
    dominant: str
    terms: tuple[Swing, ...]
    text: str
    other_end_ppm: float | None = None
    divided: Divided | None = None
    retuned: Divided | None = None
    range_c: Span


def fitness(
    uses: Iterable[Use], source: Source, other_end: OtherEnd = None
) -> tuple[Fitness, ...]:
    """Return what a source is good for, in the order of `uses`.

    `other_end` is the largest offset of the other end of links, ppm (size only), or the
    source that it is made from: then its divisor's error counts with its sign, and two
    ends that are wrong alike agree. Left out, a serial link's other end is ideal and a
    CAN node's as good as it must be. Only asynchronous serial is divided from the
    nominal frequency; all other rates are taken to be made exactly (a multiplier, whole
    time quanta).
    """
    return tuple(fitness_for(use, source, other_end) for use in uses)


def fitness_for(use: Use, source: Source, other_end: OtherEnd = None) -> Fitness:
    """Return whether a source will do for one use."""
    if isinstance(other_end, Source):
        if use.shared:
            against = _against(use, other_end)
            source = replace(source, terms=(*source.terms, against))
        other_end = 0.0
    allowed = allowance(use, other_end)
    terms = tuple(t for t in source.terms if not (use.averages and t.of_the_moment))
    if use.serial is None:
        return _judged(use, allowed, source, terms, None)
    step_hz, nominal_hz = serial_step_hz(use.serial), source.nominal_hz
    chosen = divisor_for(nominal_hz, step_hz)
    divided = _divided(chosen, step_hz, allowed, source, terms)
    best = divisor_for(nominal_hz * (1 + source.offset_ppm * 1e-6), step_hz)
    retuned = _divided(best, step_hz, allowed, source, terms)
    return _judged(use, allowed, source, terms, (divided, retuned))


def candidates(
    use: Use,
    parts: Iterable[Part],
    conditions: Conditions | None = None,
    other_end: OtherEnd = None,
) -> tuple[tuple[Part, Fitness], ...]:
    """Return which parts would do for a use by their promises, the best first."""
    found = [
        (part, fitness_for(use, promised_source(part, conditions), other_end))
        for part in parts
    ]
    ranks = list(FitnessDecision)
    found.sort(key=lambda pair: (ranks.index(pair[1].verdict), pair[1].worst_ppm))
    return tuple(found)


def _against(use: Use, other: Source) -> Swing:
    """Return what the other end adds to the difference of two."""
    error = 0.0
    if use.serial is not None:
        step_hz = serial_step_hz(use.serial)
        chosen = divisor_for(other.nominal_hz, step_hz)
        error = rate_error_ppm(other.nominal_hz, chosen, step_hz)
    low, high = _ends(other.terms, error)
    return Swing(
        name=OTHER_END,
        low_ppm=-high,
        high_ppm=-low,
        text=f"{other.name}, its divisor included",
    )


def _judged(
    use: Use,
    allowed: Allowance,
    source: Source,
    terms: tuple[Swing, ...],
    rates: tuple[Divided, Divided] | None,
) -> Fitness:
    divided, retuned = rates if rates is not None else (None, None)
    error = divided.error_ppm if divided is not None else 0.0
    if divided is not None:
        text = f"rate from divisor {divided.divisor}: {signed_digits(error)} ppm"
        terms = (
            Swing(name="divisor", low_ppm=error, high_ppm=error, text=text),
            *terms,
        )
    low, high = _ends(terms, error)
    worst = max(abs(low), abs(high))
    word = _word(allowed, source, terms, error)
    margin = 1.0 - worst / allowed.ppm if allowed.ppm > 0 else float("-inf")
    return Fitness(
        use=use,
        tolerance_ppm=allowed.ppm,
        worst_ppm=worst,
        margin=margin,
        verdict=word,
        dominant=_dominant(terms, low, high),
        terms=terms,
        text=_reason(word, worst, allowed, source),
        other_end_ppm=_other_end_ppm(terms, allowed),
        divided=divided,
        retuned=retuned,
        range_c=source.range_c,
    )


def _other_end_ppm(terms: Iterable[Swing], allowed: Allowance) -> float | None:
    for term in terms:
        if term.name == OTHER_END:
            return max(abs(term.low_ppm), abs(term.high_ppm))
    return allowed.other_end_ppm


def _divided(
    divisor: int,
    step_hz: float,
    allowed: Allowance,
    source: Source,
    terms: tuple[Swing, ...],
) -> Divided:
    error = rate_error_ppm(source.nominal_hz, divisor, step_hz)
    all_terms = (Swing(name="divisor", low_ppm=error, high_ppm=error), *terms)
    low, high = _ends(all_terms, error)
    word = _word(allowed, source, all_terms, error)
    return Divided(divisor, error, max(abs(low), abs(high)), word)


def _ends(terms: Iterable[Swing], error_ppm: float) -> tuple[float, float]:
    """Return the ends of the rate's offset; the divisor's error multiplies the rest."""
    scale, low, high = 1.0 + error_ppm * 1e-6, error_ppm, error_ppm
    for term in terms:
        if term.name != "divisor":
            by = 1.0 if term.name == OTHER_END else scale
            low, high = low + by * term.low_ppm, high + by * term.high_ppm
    return low, high


def _word(
    allowed: Allowance, source: Source, terms: tuple[Swing, ...], error_ppm: float
) -> FitnessDecision:
    """Judge the worst case, with the uncertainty for and against the source.

    Unfit when the tolerance is exceeded even if the measurement erred in the source's
    favour; marginal when only the uncertainty decides.
    """
    if allowed.ppm <= 0:
        return FitnessDecision.UNFIT
    low, high = _ends(terms, error_ppm)
    worst = max(abs(low), abs(high))
    if worst <= (1.0 - HEADROOM) * allowed.ppm and worst <= allowed.comfortable_ppm:
        return (
            FitnessDecision.MARGINAL if source.u_ppm is None else FitnessDecision.FITS
        )
    known = tuple(term for term in terms if term.name != UNCERTAINTY)
    low, high = _ends(known, error_ppm)
    kindest = max(abs(low), abs(high)) - (source.u_ppm or 0.0)
    best = max(kindest, (high - low) / 2.0)
    return FitnessDecision.UNFIT if best > allowed.ppm else FitnessDecision.MARGINAL


def _dominant(terms: tuple[Swing, ...], low: float, high: float) -> str:
    """Return the term that pushes most towards the worse end."""
    if high >= -low:
        return max(terms, key=lambda term: term.high_ppm).name
    return min(terms, key=lambda term: term.low_ppm).name


def _reason(
    word: FitnessDecision, worst: float, allowed: Allowance, source: Source
) -> str:
    if allowed.ppm <= 0:
        return "the other end takes all that two ends may differ by"
    said = f"{three_digits(worst)} ppm at worst of {three_digits(allowed.ppm)} allowed"
    return (
        said + _doubt(worst, allowed, source)
        if word is FitnessDecision.MARGINAL
        else said
    )


def _doubt(worst: float, allowed: Allowance, source: Source) -> str:
    """Return why a use is only marginal."""
    if worst > allowed.ppm:
        return ": within the measurement's uncertainty of the limit"
    if source.u_ppm is None:
        return ": the measurement's uncertainty is not known"
    if worst > allowed.comfortable_ppm:
        return f", and {three_digits(allowed.comfortable_ppm)} recommended"
    return ": less than a tenth of it is left"
