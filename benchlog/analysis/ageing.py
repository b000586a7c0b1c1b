"""Drift and ageing: a straight line, and the logarithmic law of MIL-PRF-55310.

f(t) = f0 + A ln(B t + 1), t in days from the start of the stabilisation period. The law
is linear in A; every B on a ladder is weighed by how well it explains the data.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.regression import Fit, block_means, fit
from benchlog.errors import DataError

Array = NDArray[np.float64]

YEAR_DAYS: Final = 365.25
HORIZONS_YEARS: Final = (1.0, 10.0)
_RATES: Final = 13  # values of B on the ladder
_CLEAR: Final = 3.0  # log evidence by which one law has to beat the other


@dataclass(frozen=True, slots=True)
class Estimate:
    """A figure with its 95 % interval and standard uncertainty, in `unit`."""

    name: str
    unit: str
    value: float
    low: float
    high: float
    u: float


@dataclass(frozen=True, slots=True)
class Extrapolation:
    """Change of frequency from the end of the data to `years` later, ppm."""

    years: float
    change_ppm: float
    low_ppm: float
    high_ppm: float


@dataclass(frozen=True, slots=True)
class Ageing:
    """A law of ageing fitted to a run.

    `law` is `linear` or `logarithmic`; `log_evidence` compares the two; `choice` says
    in words which one the data prefer; `warning` how far an extrapolation reaches.
    """

    law: str
    coefficients: tuple[Estimate, ...]
    extrapolations: tuple[Extrapolation, ...]
    r2: float
    residual_ppm_rms: float
    noise: str
    span_days: float
    log_evidence: float
    choice: str
    warning: str


def ageing(days: Array, offset_ppm: Array) -> tuple[Ageing, Ageing]:
    """Fit both laws; the one the data prefer comes first.

    Parameters
    ----------
    days : array, shape (n,)
        Time since the start of the run (or of stabilisation), rising, at least 0.
    offset_ppm : array, shape (n,)

    Raises DataError when there are fewer than 5 values, times do not rise, or nothing
    scatters.

    """
    days, offset_ppm = _checked(days, offset_ppm)
    line, log = _linear(days, offset_ppm), _logarithmic(days, offset_ppm)
    ahead = log.log_evidence - line.log_evidence
    if abs(ahead) < _CLEAR:
        said = "the data do not tell the two laws apart"
    else:
        better, worse = ("logarithmic", "linear") if ahead > 0 else ("linear", "log")
        said = f"the data prefer the {better} law to the {worse}"
    said += f" (log evidence {ahead:+.1f} for the logarithmic)"
    first, second = (log, line) if ahead > _CLEAR else (line, log)
    return _saying(first, said), _saying(second, said)


def _saying(found: Ageing, choice: str) -> Ageing:
    return replace(found, choice=choice)


def _checked(days: Array, offset_ppm: Array) -> tuple[Array, Array]:
    if len(days) != len(offset_ppm) or len(days) < 5:
        raise DataError("ageing needs at least 5 values with their times")
    if not (np.all(np.isfinite(days)) and np.all(np.isfinite(offset_ppm))):
        raise DataError("ageing needs finite values and times")
    if days[0] < 0 or np.any(np.diff(days) <= 0):
        raise DataError("times must rise from 0: ageing counts from the start")
    short_days, short_ppm = block_means([days, offset_ppm])
    return short_days, short_ppm


def _linear(days: Array, ppm: Array) -> Ageing:
    found = fit(np.column_stack([np.ones_like(days), days]), ppm, days)
    row = np.array([0.0, 1.0])
    half = found.half_width(row)
    rate = float(found.coefficients[1])
    per_day = Estimate(
        "rate", "ppm/day", rate, rate - half, rate + half, float(found.u[1])
    )
    ahead = tuple(
        Extrapolation(y, rate * t, (rate - half) * t, (rate + half) * t)
        for y in HORIZONS_YEARS
        for t in (y * YEAR_DAYS,)
    )
    return _result("linear", (per_day,), ahead, found, days, found.log_evidence)


def _logarithmic(days: Array, ppm: Array) -> Ageing:
    span = float(days[-1])
    rates = np.geomspace(0.1 / span, 1e3 / span, _RATES)
    fits = [_at_rate(days, ppm, float(rate)) for rate in rates]
    logs = np.array([found.log_evidence for found in fits])
    weights = np.exp(logs - logs.max())
    evidence = float(logs.max() + np.log(weights.mean()))
    weights /= weights.sum()
    best = fits[int(logs.argmax())]
    log_rate = float(weights @ np.log(rates))
    u_rate = float(np.sqrt(weights @ (np.log(rates) - log_rate) ** 2))
    step = float(np.log(rates[1] / rates[0]))
    wide = np.exp(1.96 * np.hypot(u_rate, step / np.sqrt(12.0)))
    b = float(np.exp(log_rate))
    coefficients = (
        _mixed("A", "ppm", fits, weights, lambda _: 1.0, rates),
        Estimate("B", "1/day", b, b / wide, b * wide, b * float(np.log(wide)) / 1.96),
    )
    ahead = tuple(_later(years, span, fits, weights, rates) for years in HORIZONS_YEARS)
    return _result("logarithmic", coefficients, ahead, best, days, evidence)


def _at_rate(days: Array, ppm: Array, rate: float) -> Fit:
    return fit(np.column_stack([np.ones_like(days), np.log1p(rate * days)]), ppm, days)


def _mixed(  # noqa: PLR0917
    name: str,
    unit: str,
    fits: list[Fit],
    weights: Array,
    factor: Callable[[float], float],
    rates: Array,
) -> Estimate:
    """Combine A times a factor over the rates."""
    factors = np.array([factor(float(rate)) for rate in rates])
    each = factors * np.array([found.coefficients[1] for found in fits])
    variances = factors**2 * np.array([found.covariance[1, 1] for found in fits])
    mean = float(weights @ each)
    u = float(np.sqrt(weights @ (variances + (each - mean) ** 2)))
    row = np.array([0.0, 1.0])
    unit_width = fits[0].half_width(row) / max(float(fits[0].u[1]), 1e-300)
    return Estimate(name, unit, mean, mean - unit_width * u, mean + unit_width * u, u)


def _later(
    years: float, span: float, fits: list[Fit], weights: Array, rates: Array
) -> Extrapolation:
    late = span + years * YEAR_DAYS

    def growth(rate: float) -> float:
        return float(np.log1p(rate * late) - np.log1p(rate * span))

    change = _mixed("change", "ppm", fits, weights, growth, rates)
    return Extrapolation(years, change.value, change.low, change.high)


def _result(  # noqa: PLR0917
    law: str,
    coefficients: tuple[Estimate, ...],
    ahead: tuple[Extrapolation, ...],
    found: Fit,
    days: Array,
    evidence: float,
) -> Ageing:
    span = float(days[-1] - days[0])
    warning = (
        f"extrapolated from {span:.3g} days: the interval holds only if the same law "
        "and the same noise go on"
    )
    return Ageing(
        law,
        coefficients,
        ahead,
        found.r2,
        found.residual_rms,
        found.noise,
        span,
        evidence,
        "",
        warning,
    )
