"""Mean, spread, capability and fraction defective of a lot, each with its interval.

All intervals are two-sided 95 % unless said otherwise. Those of the standard deviation
and of Cp, Cpk hold for values that scatter normally.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from benchlog.analysis.distributions import chi_squared_quantile, normal_quantile
from benchlog.verdict.run.budget import mean_half_ppm

CONFIDENCE: Final = 0.95  # common practice, no source
FEWEST_FOR_CAPABILITY: Final = 25
"""Fewer devices state neither Cp nor Cpk: the interval of Cpk holds for large samples,
and from a handful it reaches from hopeless to excellent (NIST/SEMATECH e-Handbook of
Statistical Methods, 6.1.6, from memory: at least 25, better 100)."""


@dataclass(frozen=True, slots=True)
class Interval:
    """An estimate with the ends of its 95 % interval, all in one unit."""

    value: float
    low: float
    high: float

    @property
    def half(self) -> float:
        """Half its width."""
        return (self.high - self.low) / 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Capability:
    """How a lot lies between its limits.

    `sd_ppm` is the overall standard deviation (n - 1), the measurement's own scatter
    included: with it Cp and Cpk are what some texts call Pp and Ppk. `cp` and `cpk` are
    None where nothing scatters, and from fewer than `FEWEST_FOR_CAPABILITY` devices.
    """

    n: int
    mean_ppm: Interval
    sd_ppm: Interval
    cp: Interval | None
    cpk: Interval | None


def capability(
    offsets_ppm: Sequence[float], limit_ppm: float, u_common_ppm: float = 0.0
) -> Capability | None:
    """Return the capability for limits +-`limit_ppm`; None below two values.

    Cp = 2 L / (6 s) with s sqrt(chi2) bounds; Cpk = min(L - mean, mean + L) / (3 s)
    with Cpk +- z sqrt(1/(9 n) + Cpk^2 / (2 (n - 1))): NIST/SEMATECH e-Handbook of
    Statistical Methods, 6.1.6 (the approximate interval from memory).

    `u_common_ppm` is the expanded uncertainty that all values share (the time base):
    more devices do not make it smaller. It is convolved into the mean's interval
    (JCGM 100:2008, 5.1.2), and added to Cpk's by squares, by way of the mean.
    """
    n = len(offsets_ppm)
    if n < 2:
        return None
    values = np.asarray(offsets_ppm, dtype=np.float64)
    mean, sd = float(values.mean()), float(values.std(ddof=1))
    half = mean_half_ppm(sd, n, u_common_ppm)
    stated = sd > 0 and n >= FEWEST_FOR_CAPABILITY
    low, high = _sd_factors(n)
    return Capability(
        n=n,
        mean_ppm=Interval(mean, mean - half, mean + half),
        sd_ppm=Interval(sd, sd * low, sd * high),
        cp=_cp(sd, limit_ppm, n) if stated else None,
        cpk=_cpk(limit_ppm - abs(mean), sd, n, u_common_ppm) if stated else None,
    )


def _sd_factors(n: int) -> tuple[float, float]:
    """Return what s is multiplied with for the ends of its interval."""
    nu, tail = n - 1, (1 - CONFIDENCE) / 2
    low, high = (chi_squared_quantile(nu, rate) for rate in (tail, 1 - tail))
    return math.sqrt(nu / low), math.sqrt(nu / high)


def _cp(sd: float, limit_ppm: float, n: int) -> Interval:
    cp = limit_ppm / (3 * sd)
    low, high = _sd_factors(n)
    return Interval(cp, cp / high, cp / low)


def _cpk(room_ppm: float, sd: float, n: int, u_common_ppm: float) -> Interval:
    cpk = room_ppm / (3 * sd)
    z = normal_quantile(0.5 + CONFIDENCE / 2)
    own = z * math.sqrt(1 / (9 * n) + cpk * cpk / (2 * (n - 1)))
    half = math.hypot(own, u_common_ppm / (3 * sd))
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
    low = _beta_quantile(count, n - count + 1, tail) if count else 0.0
    high = _beta_quantile(count + 1, n - count, 1 - tail) if count < n else 1.0
    return Interval(count / n, low, high)


def at_most(count: int, n: int, confidence: float = CONFIDENCE) -> float:
    """Return the one-sided upper bound of a fraction: with `confidence` below this."""
    if count >= n:
        return 1.0
    return _beta_quantile(count + 1, n - count, confidence)


def _beta_quantile(a: float, b: float, below: float) -> float:
    from scipy.special import betaincinv  # noqa: PLC0415 - half the start of a command

    return float(betaincinv(a, b, below))
