"""The limit a part's data sheet sets at the ambient temperature that was measured."""

import math
from dataclasses import dataclass

from benchlog.model import Limits, Part
from benchlog.units import as_stated

Span = tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """What the offset is held against.

    Parameters
    ----------
    ppm : float
        The two-sided limit, plus and minus.
    text : str
        How it is made up, in words.
    inside : bool | None
        Whether ambient stayed in the reference band; None when it is not known (which
        counts as inside).
    promised : bool
        Whether the data sheet promises anything at this ambient temperature.
    over_temperature : bool
        Whether it was asked to hold the offset against what is promised over the range.
    reasons : tuple of str
        What a person should know about it.

    """

    ppm: float
    text: str
    inside: bool | None
    promised: bool
    over_temperature: bool = False
    reasons: tuple[str, ...] = ()

    @property
    def known(self) -> bool:
        """Whether there is a limit: an imported part of unknown make has none."""
        return math.isfinite(self.ppm)


def limit_for(
    part: Part,
    ambient: Span | None,
    horizon_years: float | None = None,
    *,
    over_temperature: bool = False,
) -> Limit:
    """Return the limit for a part at an ambient temperature.

    Parameters
    ----------
    part : Part
        Its data sheet's limits.
    ambient : (min, mean, max) in C, or None when unknown
        Whether all of it lies within `reference_c` +- `reference_band_c`, where the
        tolerance is promised, and within the range of the data sheet.
    horizon_years : float | None
        Adds the promised ageing over this many years.
    over_temperature : bool
        Tolerance plus stability, wherever ambient was: never unless it is asked for.

    """
    limits = part.limits
    inside = None if ambient is None else _within_band(limits, ambient)
    ppm = float(limits.tolerance_ppm)
    texts = [f"tolerance {_ppm(limits.tolerance_ppm)}"]
    reasons: list[str] = []
    if over_temperature and limits.stability_ppm is not None:
        ppm += limits.stability_ppm
        texts.append(f"stability {_ppm(limits.stability_ppm)}")
    elif over_temperature:
        reasons.append(
            "the data sheet states no stability over temperature: held against the "
            "tolerance alone"
        )
    promised = _promised(limits, ambient, inside, reasons)
    if horizon_years:
        ppm += _ageing(limits, horizon_years, texts, reasons)
    return Limit(
        ppm=ppm,
        text=" + ".join(texts),
        inside=inside,
        promised=promised,
        over_temperature=over_temperature,
        reasons=tuple(reasons),
    )


def band_text(limits: Limits) -> str:
    """Return the temperatures between which a tolerance is judged as it is."""
    low = limits.reference_c - limits.reference_band_c
    return (
        f"{as_stated(low)} and "
        f"{as_stated(limits.reference_c + limits.reference_band_c)} C"
    )


def _within_band(limits: Limits, ambient: Span) -> bool:
    low, _, high = ambient
    reference, band = limits.reference_c, limits.reference_band_c
    return reference - band <= low and high <= reference + band


def _promised(
    limits: Limits, ambient: Span | None, inside: bool | None, reasons: list[str]
) -> bool:
    """Say what the data sheet promises here; False when it promises nothing."""
    if ambient is None:
        reasons.append(
            "ambient temperature not known: taken as "
            f"{as_stated(limits.reference_c)} C, where the tolerance holds"
        )
        return True
    if inside:
        return True
    seen = _celsius(ambient)
    span = limits.range_c
    if span is not None and not (span[0] <= ambient[0] and ambient[2] <= span[1]):
        reasons.append(
            f"ambient {seen} lies outside {as_stated(span[0])} to "
            f"{as_stated(span[1])} C: the data "
            "sheet promises nothing there"
        )
        return False
    return True


def _ageing(
    limits: Limits, years: float, texts: list[str], reasons: list[str]
) -> float:
    if limits.ageing_ppm_per_year is None:
        reasons.append("the data sheet states no ageing: none added to the limit")
        return 0.0
    added = limits.ageing_ppm_per_year * years
    texts.append(f"ageing {_ppm(added)} in {as_stated(years)} years")
    return added


def _ppm(value: float) -> str:
    return f"{as_stated(value)} ppm"


def _celsius(ambient: Span) -> str:
    low, _, high = ambient
    return f"{low:.1f} C" if high - low < 0.1 else f"{low:.1f} to {high:.1f} C"
