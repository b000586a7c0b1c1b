"""The temperature law of a part, and how far a device may depart from it.

A tolerance is promised at the reference temperature; a reading taken elsewhere is
brought there by this law (`reference_band`).
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.laws import AT_CUT_PPM_PER_C_PER_MINUTE, kind_law, ppm_at
from benchlog.model import Kind, Limits, Part, TemperatureLaw

Array = NDArray[np.float64]
_GRID: Final = 201
"""Temperatures at which a promise is looked at; our rule: finer changes no digit."""
_STEPS: Final = 9
"""Temperatures between the ends of a room; our rule: a law turns once in it."""
_AT_REFERENCE_C: Final = 1e-6
"""Nearer than this is the reference itself, where any slope keeps the promise; our rule
(rounding)."""
_CUT_MINUTES: Final = 5.0
"""How far a crystal's cut lies from the usual one where its data sheet promises
nothing over temperature; our rule (commercial spread: common practice, no source)."""
_TURNOVER_C: Final = 5.0
"""Data sheets of tuning forks state the turnover as 25 +-5 C (common practice, no
source)."""
_SHARE: Final = 0.5
"""Of a stated slope: how far it may be off where nothing is promised; our rule."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PartLaw:
    """How devices of a part follow temperature, as far as is known before measuring.

    A device's own slope differs from that of `law` by at most `slope_ppm_per_c`.
    """

    law: TemperatureLaw
    slope_ppm_per_c: float
    text: str


def moved_ppm(law: TemperatureLaw, temperatures_c: Array, reference_c: float) -> Array:
    """Return how far the law is at temperatures from where it is at the reference."""
    d = temperatures_c - law.reference_c
    steep = law.cubic_ppm_per_c3 * d + law.quadratic_ppm_per_c2
    return np.asarray((steep * d + law.linear_ppm_per_c) * d - ppm_at(law, reference_c))


def swing_ppm(law: TemperatureLaw, low_c: float, high_c: float) -> float:
    """Return how far a law moves a device between two temperatures, at most."""
    seen = moved_ppm(law, np.linspace(low_c, high_c, _STEPS), low_c)
    return float(np.ptp(seen))


def part_law(part: Part) -> PartLaw | None:
    """Return the law of a part; None where too little is known to go by one.

    The law is what the part's file states, else the usual one of its kind. How far a
    device's slope may depart from it follows from the stability that is promised over
    the range: a steeper one would break the promise. Where no stability is promised,
    only a stated law and those of crystals are good for anything.
    """
    stated = part.temperature
    if stated is None and part.kind is Kind.OTHER:
        return None
    law = stated or kind_law(part.kind)
    whose = "stated for the part" if stated else f"usual for its kind ({part.kind})"
    promised = _promised_slope(law, part.limits)
    if promised is not None:
        text = f"{law.law} {whose}, slope as far as the promised stability allows"
        return PartLaw(law=law, slope_ppm_per_c=promised, text=text)
    slope = _usual_slope(law, part.kind, is_stated=stated is not None)
    if slope is None:
        return None
    return PartLaw(law=law, slope_ppm_per_c=slope, text=f"{law.law} {whose}")


def _promised_slope(law: TemperatureLaw, limits: Limits) -> float | None:
    """Return the largest slope beside the law's that still keeps the promise.

    |law(T) - law(T_ref) + s (T - T_ref)| <= stability all over the range bounds s on
    either side; the larger bound counts for both. None where nothing is promised, or
    the law alone breaks the promise.
    """
    if limits.stability_ppm is None or limits.range_c is None:
        return None
    grid = np.linspace(*limits.range_c, _GRID)
    grid = grid[np.abs(grid - limits.reference_c) > _AT_REFERENCE_C]
    moved = moved_ppm(law, grid, limits.reference_c)
    away = grid - limits.reference_c
    ends = np.array([(side * limits.stability_ppm - moved) / away for side in (-1, 1)])
    low, high = float(ends.min(axis=0).max()), float(ends.max(axis=0).min())
    return max(abs(low), abs(high)) if low <= high else None


def _usual_slope(law: TemperatureLaw, kind: Kind, *, is_stated: bool) -> float | None:
    if kind is Kind.QUARTZ:
        return abs(_CUT_MINUTES * AT_CUT_PPM_PER_C_PER_MINUTE)
    turning = 2.0 * abs(law.quadratic_ppm_per_c2) * _TURNOVER_C
    if kind is Kind.TUNING_FORK:
        return turning
    return _SHARE * abs(law.linear_ppm_per_c) + turning if is_stated else None
