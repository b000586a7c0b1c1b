"""A source and all that may move it: measured, promised, or usual for its kind."""

from dataclasses import dataclass
from typing import Final

from benchlog.analysis.laws import kind_law, ppm_at
from benchlog.errors import DataError
from benchlog.model import Kind, Part, TemperatureLaw
from benchlog.units import (
    as_stated,
    three_digits,
)
from benchlog.verdict.run.assessment import Assessment

UNCERTAINTY: Final = "uncertainty"
# our rule, no source: rooms, and closed cases in them
USUAL_RANGE_C: Final = (0.0, 50.0)
"""Taken where neither the person nor the data sheet names a range."""
_STEPS: Final = 200  # our rule: a 200th of the range between looks at a curve
Span = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Swing:
    """One term: how far it may move the source, ppm; `of_the_moment` averages out."""

    name: str
    low_ppm: float
    high_ppm: float
    text: str = ""
    of_the_moment: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """What fitness is judged by.

    Parameters
    ----------
    name : str
        A device, or a part.
    nominal_hz : float
        What firmware believes the frequency to be.
    offset_ppm : float
        Measured; 0 for a part, whose tolerance is a term.
    u_ppm : float | None
        Expanded uncertainty of it; 0 for a part, None when unknown.
    terms : tuple of Swing
        Offset and uncertainty included.
    range_c : (float, float)
        The ambient temperatures that are counted.
    notes : tuple of str
        What is assumed or left out.

    """

    name: str
    nominal_hz: float
    offset_ppm: float
    u_ppm: float | None
    terms: tuple[Swing, ...]
    range_c: Span
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Conditions:
    """Where and how long the source will work.

    `range_c` is the range of ambient temperature (None: the data sheet's), `law` the
    device's own measured temperature law, `horizon_years` how long it ages (None: not
    at all), `ageing_ppm` its own extrapolated change over that time.
    """

    range_c: Span | None = None
    horizon_years: float | None = None
    law: TemperatureLaw | None = None
    ageing_ppm: Span | None = None


def measured_source(
    name: str, part: Part, assessment: Assessment, conditions: Conditions | None = None
) -> Source:
    """Return the source that a run has measured.

    Raises DataError when the run has no reading.
    """
    where = conditions or Conditions()
    offset, u = assessment.offset_ppm, assessment.u_ppm
    if offset is None:
        raise DataError(f"{name} has no reading: there is nothing to judge by")
    jitter = assessment.stats.jitter_ppm_rms
    notes: list[str] = []
    terms = [Swing(name="offset", low_ppm=offset, high_ppm=offset, text="measured")]
    if u is None:
        notes.append("uncertainty not known: too few readings in a row")
    else:
        terms.append(
            Swing(
                name=UNCERTAINTY, low_ppm=-u, high_ppm=u, text="U (95 %) of the offset"
            )
        )
    if jitter is not None:
        rms = f"2 x {three_digits(jitter)} ppm rms at the gate"
        text = f"{rms}; quicker jitter was not seen"
        terms.append(
            Swing(
                name="restlessness",
                low_ppm=-2 * jitter,
                high_ppm=2 * jitter,
                text=text,
                of_the_moment=True,
            )
        )
    else:
        notes.append("restlessness not known: too few readings")
    terms.append(_temperature(part, where, _ambient(assessment), notes))
    terms.append(_ageing(part, where, notes))
    return Source(
        name=name,
        nominal_hz=part.nominal_hz,
        offset_ppm=offset,
        u_ppm=u,
        terms=tuple(terms),
        range_c=_range_c(part, where),
        notes=tuple(notes),
    )


def promised_source(part: Part, conditions: Conditions | None = None) -> Source:
    """Return the source that a data sheet promises: any device of this part."""
    where = conditions or Conditions()
    tolerance = part.limits.tolerance_ppm
    notes: list[str] = []
    terms = (
        Swing(
            name="tolerance",
            low_ppm=-tolerance,
            high_ppm=tolerance,
            text="promised at the reference",
        ),
        _temperature(part, where, None, notes),
        _ageing(part, where, notes),
    )
    return Source(
        name=part.id,
        nominal_hz=part.nominal_hz,
        offset_ppm=0.0,
        u_ppm=0.0,
        terms=terms,
        range_c=_range_c(part, where),
        notes=tuple(notes),
    )


def _ambient(assessment: Assessment) -> Span | None:
    low, high = assessment.stats.ambient_min_c, assessment.stats.ambient_max_c
    return None if low is None or high is None else (low, high)


def _range_c(part: Part, where: Conditions) -> Span:
    return where.range_c or part.limits.range_c or USUAL_RANGE_C


def _temperature(
    part: Part, where: Conditions, ambient: Span | None, notes: list[str]
) -> Swing:
    """Return what temperature may do, relative to where the source was measured."""
    span = _range_c(part, where)
    said = f"{as_stated(span[0])} to {as_stated(span[1])} C"
    if where.law is not None:
        return _measured_law(where.law, span, ambient, said)
    promised = part.limits.stability_ppm
    if promised is None:
        return _usual_law(part, span, said, notes)
    text = f"promised over {said}"
    whole = part.limits.range_c
    if whole is not None and not (whole[0] <= span[0] and span[1] <= whole[1]):
        notes.append(f"the data sheet promises nothing over all of {said}")
        usual = _usual_law(part, span, said, notes)
        promised, text = max(promised, usual.high_ppm), usual.text
    elif whole is not None and span != whole:
        share = _share_of(part, span, whole)
        text = (
            f"{share:.0%} of what is promised over {as_stated(whole[0])} to "
            f"{as_stated(whole[1])} C"
        )
        notes.append(f"for {said} the promise is scaled by the usual law's shape")
        promised *= share
    if _away(part, ambient):
        # the promise holds from the reference, and here one is not at the reference
        promised, text = 2 * promised, f"{text}, twice: not measured at the reference"
    return Swing(name="temperature", low_ppm=-promised, high_ppm=promised, text=text)


def _share_of(part: Part, span: Span, whole: Span) -> float:
    """Return how much of its swing over `whole` the usual law makes over `span`."""
    law = part.temperature or kind_law(part.kind)
    at_c = part.limits.reference_c
    most = max(abs(ppm) for ppm in _swings(law, whole, at_c))
    here = max(abs(ppm) for ppm in _swings(law, span, at_c))
    return here / most if most > 0 else 1.0


def _away(part: Part, ambient: Span | None) -> bool:
    if ambient is None:
        return False
    low = part.limits.reference_c - part.limits.reference_band_c
    high = part.limits.reference_c + part.limits.reference_band_c
    return ambient[0] < low or ambient[1] > high


def _measured_law(
    law: TemperatureLaw, span: Span, ambient: Span | None, said: str
) -> Swing:
    at_c = law.reference_c if ambient is None else sum(ambient) / 2
    moved = _swings(law, span, at_c)
    low, high = min(0.0, *moved), max(0.0, *moved)
    return Swing(
        name="temperature",
        low_ppm=low,
        high_ppm=high,
        text=f"measured {law.law} over {said}",
    )


def _usual_law(part: Part, span: Span, said: str, notes: list[str]) -> Swing:
    """Return the part's or its kind's law, either way: no device has promised it."""
    law = part.temperature or kind_law(part.kind)
    moved = max(abs(ppm) for ppm in _swings(law, span, law.reference_c))
    notes.append(f"nothing is promised over temperature: the usual {law.law} is taken")
    if part.kind is Kind.RC:
        notes.append("the sign of an RC oscillator's slope differs from part to part")
    return Swing(
        name="temperature",
        low_ppm=-moved,
        high_ppm=moved,
        text=f"usual {law.law} over {said}",
    )


def _swings(law: TemperatureLaw, span: Span, at_c: float) -> list[float]:
    step = (span[1] - span[0]) / _STEPS
    here = ppm_at(law, at_c)
    return [ppm_at(law, span[0] + i * step) - here for i in range(_STEPS + 1)]


def _ageing(part: Part, where: Conditions, notes: list[str]) -> Swing:
    years = where.horizon_years
    if not years:
        return Swing(name="ageing", low_ppm=0.0, high_ppm=0.0, text="not counted")
    if where.ageing_ppm is not None:
        low, high = where.ageing_ppm
        text = f"measured, extrapolated to {as_stated(years)} years"
        return Swing(
            name="ageing", low_ppm=min(0.0, low), high_ppm=max(0.0, high), text=text
        )
    promised = part.limits.ageing_ppm_per_year
    if promised is None:
        notes.append("the data sheet states no ageing: none counted")
        return Swing(name="ageing", low_ppm=0.0, high_ppm=0.0, text="not stated")
    moved = promised * years
    return Swing(
        name="ageing",
        low_ppm=-moved,
        high_ppm=moved,
        text=f"promised, {as_stated(years)} years",
    )
