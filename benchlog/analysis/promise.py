"""A data sheet's stability over temperature, held against a fitted law."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.regression import Fit
from benchlog.model import Limits
from benchlog.units import format_ppm, format_u_ppm

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Promise:
    """The data sheet's stability over temperature, held against the fitted law.

    `worst_ppm` is the largest distance from the value at the reference temperature
    within the promised range; `measured` whether the run covered that range; the rest
    is extrapolation, and `text` says so.
    """

    limit_ppm: float
    worst_ppm: float
    at_c: float
    u_ppm: float
    measured: bool
    text: str


@dataclass(frozen=True, slots=True)
class Law:
    """A fitted law: offset = f0 + sum c_k (T - reference_c)^k, over measured C."""

    fit: Fit
    degree: int
    reference_c: float
    seen: tuple[float, float]


def promise_of(law: Law, limits: Limits | None) -> tuple[Promise | None, str]:
    """Return what the law says of the promise, and a note where it cannot say.

    An extrapolation whose 95 % interval is wider than the promise itself says nothing,
    and none is returned, unless the promise is broken where it was measured.
    """
    if limits is None or limits.stability_ppm is None or limits.range_c is None:
        return None, ""
    low, high = limits.range_c
    seen_low, seen_high = law.seen
    grid = np.linspace(low, high, 201)
    if float(_half_widths(law, grid, limits).max()) <= limits.stability_ppm:
        return _worst(law, grid, limits), ""
    note = (
        f"the run spans only {seen_high - seen_low:.2g} C ({seen_low:.1f} to "
        f"{seen_high:.1f} C); not enough to say anything about {low:g} to {high:g} C"
    )
    inside = np.linspace(max(low, seen_low), min(high, seen_high), 201)
    if seen_high <= low or high <= seen_low:
        return None, note
    found = _worst(law, inside, limits)
    broken = found.worst_ppm - found.u_ppm > limits.stability_ppm
    return (found, note) if broken else (None, note)


def _rows(law: Law, at_c: Array, limits: Limits) -> Array:
    """Return what the coefficients count for in the change from the reference."""
    dt, base = at_c - law.reference_c, limits.reference_c - law.reference_c
    rows = np.zeros((len(at_c), len(law.fit.coefficients)))
    for k in range(1, law.degree + 1):
        rows[:, k] = dt**k - base**k
    return rows


def _half_widths(law: Law, at_c: Array, limits: Limits) -> Array:
    rows = _rows(law, at_c, limits)
    variances = np.einsum("ij,jk,ik->i", rows, law.fit.covariance, rows)
    return np.asarray(law.fit.quantile() * np.sqrt(np.maximum(variances, 0.0)))


def _worst(law: Law, at_c: Array, limits: Limits) -> Promise:
    assert limits.stability_ppm is not None
    assert limits.range_c is not None
    low, high = limits.range_c
    swing = _rows(law, at_c, limits) @ law.fit.coefficients
    worst = int(np.argmax(np.abs(swing)))
    half = float(_half_widths(law, at_c[worst : worst + 1], limits)[0])
    measured = law.seen[0] <= low and high <= law.seen[1]
    text = (
        f"largest change {format_ppm(float(swing[worst]), half)} +- "
        f"{format_u_ppm(half)} ppm at {at_c[worst]:.1f} C "
        f"of {limits.stability_ppm:g} ppm promised"
    )
    if not measured:
        text += (
            f"; measured only from {law.seen[0]:.1f} to {law.seen[1]:.1f} C, the rest "
            f"of {low:g} to {high:g} C is extrapolated"
        )
    at, size = float(at_c[worst]), abs(float(swing[worst]))
    return Promise(limits.stability_ppm, size, at, half, measured, text)
