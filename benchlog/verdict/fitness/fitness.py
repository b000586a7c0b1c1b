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
from benchlog.units import signed_digits
from benchlog.verdict.fitness.serial_links import (
    Allowance,
    allowance,
    divisor_for,
    rate_error_ppm,
    serial_step_hz,
    usual_way,
)
from benchlog.verdict.fitness.source import (
    UNCERTAINTY,
    Conditions,
    Source,
    Span,
    Swing,
    promised_source,
)
from benchlog.verdict.fitness.synchronised import after_synchronisation
from benchlog.verdict.fitness.worst_case import (
    DIVISOR,
    OTHER_END,
    dominant,
    ends,
    reason,
)

HEADROOM: Final = 0.1
"""With less than this share of the tolerance left a use is marginal. Our rule."""

OtherEnd = float | Source | None


class FitnessDecision(StrEnum):
    """Whether a source will do for a use, from best to worst."""

    FITS = "fits"
    MARGINAL = "marginal"
    UNFIT = "unfit"


@dataclass(frozen=True, slots=True, kw_only=True)
class Divided:
    """A rate made by a whole divisor: its error at nominal, and the worst case."""

    divisor: int
    oversampling: int
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
    link_ppm : float | None
        What both ends of a link share.
    removed : tuple of str
        Terms that synchronisation takes away.
    divided : Divided | None
        The divisor, and the oversampling where there is a choice, that firmware would
        take at the nominal frequency.
    retuned : Divided | None
        Those that suit the measured frequency best; the same oversampling unless
        another makes the verdict better.
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
    link_ppm: float | None = None
    removed: tuple[str, ...] = ()
    divided: Divided | None = None
    retuned: Divided | None = None
    range_c: Span


def fitness(
    uses: Iterable[Use], source: Source, other_end: OtherEnd = None
) -> tuple[Fitness, ...]:
    """Return what a source is good for, in the order of `uses`.

    `other_end` is the largest offset of the other end of links, ppm (size only), or the
    source that it is made from: then its divisor's error counts with its sign, and two
    ends that are wrong alike agree. Left out, it takes what is recommended for an end,
    or half. Only asynchronous serial is divided from the nominal frequency; all other
    rates are taken to be made exactly (a multiplier, whole time quanta).
    """
    return tuple(fitness_for(use, source, other_end) for use in uses)


def fitness_for(use: Use, source: Source, other_end: OtherEnd = None) -> Fitness:
    """Return whether a source will do for one use."""
    if use.synchronisation is not None:
        return _synchronised(use, source, other_end)
    if isinstance(other_end, Source):
        if use.shared:
            against = _against(use, other_end)
            source = replace(source, terms=(*source.terms, against))
        other_end = 0.0
    terms = tuple(t for t in source.terms if not (use.averages and t.of_the_moment))
    if use.serial is None:
        return _judged(use, allowance(use, other_end), source, terms, None)
    return _serial(use, source, terms, other_end)


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


def _serial(
    use: Use, source: Source, terms: tuple[Swing, ...], other_end_ppm: float | None
) -> Fitness:
    """Judge a rate that a divisor makes, at the oversampling that suits it best."""
    nominal_hz = source.nominal_hz
    measured_hz = nominal_hz * (1 + source.offset_ppm * 1e-6)
    chosen = usual_way(use, nominal_hz)
    ways = [chosen, *(w for w in (use, *use.alternatives) if w is not chosen)]
    allowed = [allowance(way, other_end_ppm) for way in ways]
    retuned = [
        _divided(way, measured_hz, left, source, terms)
        for way, left in zip(ways, allowed, strict=True)
    ]
    divided = _divided(chosen, nominal_hz, allowed[0], source, terms)
    best = min(retuned, key=lambda one: list(FitnessDecision).index(one.verdict))
    return _judged(use, allowed[0], source, terms, (divided, best))


def _synchronised(use: Use, source: Source, other_end: OtherEnd) -> Fitness:
    """Judge a source whose rate is taken over from the other end, if it comes so far.

    A source as the other end synchronises likewise and takes what that leaves it.
    """
    sync = use.synchronisation
    assert sync is not None
    use = replace(use, synchronisation=None)
    capture = Allowance(sync.capture_ppm, sync.capture_ppm)
    before = _judged(use, capture, source, source.terms, None)
    if isinstance(other_end, Source):
        other_end = replace(
            other_end, terms=after_synchronisation(other_end, sync).terms
        )
    after = fitness_for(use, after_synchronisation(source, sync), other_end)
    kept = {term.name for term in after.terms}
    removed = tuple(t.name for t in source.terms if t.name not in kept)
    ranks = list(FitnessDecision)
    if ranks.index(before.verdict) > ranks.index(after.verdict):
        after = replace(before, text=f"before synchronisation {before.text}")
    return replace(after, removed=removed)


def _against(use: Use, other: Source) -> Swing:
    """Return what the other end adds to the difference of two."""
    error = 0.0
    if use.serial is not None:
        way = usual_way(use, other.nominal_hz)
        assert way.serial is not None
        step_hz = serial_step_hz(way.serial)
        chosen = divisor_for(other.nominal_hz, step_hz)
        error = rate_error_ppm(other.nominal_hz, chosen, step_hz)
    low, high = ends(other.terms, error)
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
        text = (
            f"rate from divisor {divided.divisor} at {divided.oversampling} samples a "
            f"bit: {signed_digits(error)} ppm"
        )
        terms = (
            Swing(name=DIVISOR, low_ppm=error, high_ppm=error, text=text),
            *terms,
        )
    low, high = ends(terms, error)
    worst = max(abs(low), abs(high))
    word = _word(allowed, source, terms, error)
    margin = 1.0 - worst / allowed.ppm if allowed.ppm > 0 else float("-inf")
    return Fitness(
        use=use,
        tolerance_ppm=allowed.ppm,
        worst_ppm=worst,
        margin=margin,
        verdict=word,
        dominant=dominant(terms, low, high),
        terms=terms,
        text=reason(worst, allowed, source, marginal=word is FitnessDecision.MARGINAL),
        other_end_ppm=_other_end_ppm(terms, allowed),
        link_ppm=allowed.link_ppm,
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
    use: Use,
    clock_hz: float,
    allowed: Allowance,
    source: Source,
    terms: tuple[Swing, ...],
) -> Divided:
    """Return the rate by the divisor that suits `clock_hz`."""
    assert use.serial is not None
    step_hz = serial_step_hz(use.serial)
    divisor = divisor_for(clock_hz, step_hz)
    error = rate_error_ppm(source.nominal_hz, divisor, step_hz)
    all_terms = (Swing(name=DIVISOR, low_ppm=error, high_ppm=error), *terms)
    low, high = ends(all_terms, error)
    word = _word(allowed, source, all_terms, error)
    return Divided(
        divisor=divisor,
        oversampling=use.serial.oversampling,
        error_ppm=error,
        worst_ppm=max(abs(low), abs(high)),
        verdict=word,
    )


def _word(
    allowed: Allowance, source: Source, terms: tuple[Swing, ...], error_ppm: float
) -> FitnessDecision:
    """Judge the worst case, with the uncertainty for and against the source.

    Unfit when the tolerance is exceeded even if the measurement erred in the source's
    favour; marginal when only the uncertainty decides.
    """
    if allowed.ppm <= 0:
        return FitnessDecision.UNFIT
    low, high = ends(terms, error_ppm)
    worst = max(abs(low), abs(high))
    if worst <= (1.0 - HEADROOM) * allowed.ppm and worst <= allowed.comfortable_ppm:
        return (
            FitnessDecision.MARGINAL if source.u_ppm is None else FitnessDecision.FITS
        )
    known = tuple(term for term in terms if term.name != UNCERTAINTY)
    low, high = ends(known, error_ppm)
    kindest = max(abs(low), abs(high)) - (source.u_ppm or 0.0)
    best = max(kindest, (high - low) / 2.0)
    return FitnessDecision.UNFIT if best > allowed.ppm else FitnessDecision.MARGINAL
