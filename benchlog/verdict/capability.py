"""Mean, spread, capability and fraction defective of a lot, each with its interval.

All intervals are two-sided 95 % unless said otherwise. Those of the standard deviation
and of Cp, Cpk hold for values that scatter normally.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import betaincinv, chdtri, ndtri, stdtrit

CONFIDENCE: Final = 0.95


@dataclass(frozen=True, slots=True)
class Interval:
    """An estimate with the ends of its 95 % interval, all in one unit."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Capability:
    """How a lot lies between its limits.

    `sd_ppm` is the overall standard deviation (n - 1), the measurement's own scatter
    included: with it Cp and Cpk are what some texts call Pp and Ppk. `cp` and `cpk` are
    None where nothing scatters.
    """

    n: int
    mean_ppm: Interval
    sd_ppm: Interval
    cp: Interval | None
    cpk: Interval | None


def capability(offsets_ppm: Sequence[float], limit_ppm: float) -> Capability | None:
    """Return the capability for limits +-`limit_ppm`; None below two values.

    Cp = 2 L / (6 s) with s sqrt(chi2) bounds; Cpk = min(L - mean, mean + L) / (3 s)
    with Cpk +- z sqrt(1/(9 n) + Cpk^2 / (2 (n - 1))): NIST/SEMATECH e-Handbook of
    Statistical Methods, 6.1.6 (the approximate interval from memory).
    """
    n = len(offsets_ppm)
    if n < 2:
        return None
    values = np.asarray(offsets_ppm, dtype=np.float64)
    mean, sd = float(values.mean()), float(values.std(ddof=1))
    half = float(stdtrit(n - 1, 0.5 + CONFIDENCE / 2)) * sd / math.sqrt(n)
    low, high = _sd_factors(n)
    return Capability(
        n,
        Interval(mean, mean - half, mean + half),
        Interval(sd, sd * low, sd * high),
        _cp(sd, limit_ppm, n),
        _cpk(mean, sd, limit_ppm, n),
    )


def _sd_factors(n: int) -> tuple[float, float]:
    """Return what s is multiplied with for the ends of its interval."""
    nu, tail = n - 1, (1 - CONFIDENCE) / 2
    return math.sqrt(nu / chdtri(nu, tail)), math.sqrt(nu / chdtri(nu, 1 - tail))


def _cp(sd: float, limit_ppm: float, n: int) -> Interval | None:
    if sd <= 0:
        return None
    cp = limit_ppm / (3 * sd)
    low, high = _sd_factors(n)
    return Interval(cp, cp / high, cp / low)


def _cpk(mean: float, sd: float, limit_ppm: float, n: int) -> Interval | None:
    if sd <= 0:
        return None
    cpk = (limit_ppm - abs(mean)) / (3 * sd)
    z = float(ndtri(0.5 + CONFIDENCE / 2))
    half = z * math.sqrt(1 / (9 * n) + cpk * cpk / (2 * (n - 1)))
    return Interval(cpk, cpk - half, cpk + half)


def clopper_pearson(
    count: int, n: int, confidence: float = CONFIDENCE
) -> Interval | None:
    """Return count/n with the exact two-sided interval; None for n = 0.

    C. J. Clopper, E. S. Pearson, Biometrika 26 (1934) 404, by beta quantiles.
    Raises ValueError unless 0 <= count <= n.
    """
    if not 0 <= count <= n:
        raise ValueError(f"{count} of {n} is no count")
    if n == 0:
        return None
    tail = (1 - confidence) / 2
    low = float(betaincinv(count, n - count + 1, tail)) if count else 0.0
    high = float(betaincinv(count + 1, n - count, 1 - tail)) if count < n else 1.0
    return Interval(count / n, low, high)


def at_most(count: int, n: int, confidence: float = CONFIDENCE) -> float:
    """Return the one-sided upper bound of a fraction: with `confidence` below this."""
    if count >= n:
        return 1.0
    return float(betaincinv(count + 1, n - count, confidence))
