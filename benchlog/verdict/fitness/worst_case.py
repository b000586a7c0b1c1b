"""A worst case as a straight sum of terms, and why it is or is not allowed."""

from collections.abc import Iterable
from typing import Final

from benchlog.units import as_stated, three_digits
from benchlog.verdict.fitness.serial_links import Allowance
from benchlog.verdict.fitness.source import Source, Swing

DIVISOR: Final = "divisor"
OTHER_END: Final = "other end"


def ends(terms: Iterable[Swing], error_ppm: float) -> tuple[float, float]:
    """Return the ends of the rate's offset; the divisor's error multiplies the rest."""
    scale, low, high = 1.0 + error_ppm * 1e-6, error_ppm, error_ppm
    for term in terms:
        if term.name != DIVISOR:
            by = 1.0 if term.name == OTHER_END else scale
            low, high = low + by * term.low_ppm, high + by * term.high_ppm
    return low, high


def dominant(terms: tuple[Swing, ...], low: float, high: float) -> str:
    """Return the term that pushes most towards the worse end."""
    if high >= -low:
        return max(terms, key=lambda term: term.high_ppm).name
    return min(terms, key=lambda term: term.low_ppm).name


def reason(worst: float, allowed: Allowance, source: Source, *, marginal: bool) -> str:
    """Return what the worst case is and what is allowed; `marginal`: and why."""
    if allowed.ppm <= 0:
        return "the other end takes all that two ends may differ by"
    allowed_text = f"{_ppm(allowed.ppm)} allowed{_share(allowed)}"
    said = f"{_ppm(worst)} ppm at worst of {allowed_text}"
    return said + _doubt(worst, allowed, source) if marginal else said


def _share(allowed: Allowance) -> str:
    """Return which part of a link's tolerance this end has."""
    if allowed.link_ppm is None:
        return ""
    other = allowed.other_end_ppm or 0.0
    if other == allowed.link_ppm / 2.0:
        return f" (half of the {_ppm(allowed.link_ppm)} that two ends share)"
    taken = f", less {_ppm(other)} of the other end" if other else ""
    return f" ({_ppm(allowed.link_ppm)} that two ends share{taken})"


def _doubt(worst: float, allowed: Allowance, source: Source) -> str:
    """Return why a use is only marginal."""
    if worst > allowed.ppm:
        return ": within the measurement's uncertainty of the limit"
    if source.u_ppm is None:
        return ": the measurement's uncertainty is not known"
    if worst > allowed.comfortable_ppm:
        return f", and {_ppm(allowed.comfortable_ppm)} recommended"
    return ": less than a tenth of it is left"


def _ppm(value: float) -> str:
    """Return three significant digits, no zeros behind the point."""
    return as_stated(float(three_digits(value).replace(",", "")))
