"""Bias functions for dead time between measurements.

Sources: J. A. Barnes, "Tables of bias functions B1 and B2", NBS TN 375 (1969);
J. A. Barnes, D. W. Allan, "Variances based on data with dead time between the
measurements", NIST TN 1318 (1990). The B3 sign follows direct integration: a widely
copied form has + instead of - before F((M - n) r), which fails B3 = 1 at r = 1.

White phase noise is of the instants at which gates begin and end. Gates that follow
each other share these instants, and readings are correlated by -1/2; across dead time
they share none, and readings are as independent as those of white frequency noise.
Nothing in such readings tells the two apart: for white FM the bias is 1, for white PM
it is B2 B3 = 2m/3.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# source: NIST TN 1318 (see above), mu for each alpha
_MU: Final = {2: -2.0, 1: -2.0, 0: -1.0, -1: 0.0, -2: 1.0, -3: 2.0, -4: 2.0}
WHITE_EITHER: Final = "white PM or FM"
"""What readings that are not correlated may be when there is dead time between."""
# mu = 0 is a limit; F's terms cancel beyond use closer by; our rule
_NEAR_ZERO: Final = 1e-4


def dead_time_bias(m: int, r: float, alpha: int) -> float:
    """Return B2 B3 for noise alpha, averages of m gates and r = spacing/gate.

    The Allan variance that was found, over the one a counter without dead time would
    have found at the averaging time m gate.
    """
    mu = _MU[max(-4, min(2, alpha))]
    if r <= 1.0:
        return 1.0
    return b2(r, mu) * b3(m, r, mu)


def noise_across_dead_time(alpha: int | None, name: str | None) -> str | None:
    """Return what readings with dead time between can tell of noise named so."""
    return WHITE_EITHER if alpha == 0 else name


def _f(a: float | Array, mu: float) -> Array:
    power = mu + 2.0
    at = np.asarray(a, dtype=np.float64)
    return np.asarray(2.0 * at**power - (at + 1.0) ** power - np.abs(at - 1.0) ** power)


def _smooth(mu: float) -> float:
    """Keep away from mu = 0, where numerator and denominator vanish together."""
    return mu if abs(mu) >= _NEAR_ZERO else _NEAR_ZERO


def b1(n: int, r: float, mu: float) -> float:
    """Return the ratio of the N-sample variance to the 2-sample variance.

    `r` = T/tau (period over averaging time, at least 1); the variance goes as tau^mu.
    """
    mu = _smooth(mu)
    k = np.arange(1.0, n)
    total = float(np.sum((n - k) * _f(k * r, mu))) / (n * (n - 1))
    return (1.0 + total) / (1.0 + float(_f(r, mu)) / 2.0)


def b2(r: float, mu: float) -> float:
    """Return the ratio of the 2-sample variance with dead time to that without."""
    if mu <= -2.0:
        return 1.0 if r == 1.0 else 2.0 / 3.0
    mu = _smooth(mu)
    return (1.0 + float(_f(r, mu)) / 2.0) / (2.0 * (1.0 - float(2.0**mu)))


def b3(m: int, r: float, mu: float) -> float:
    """Return the ratio for averages of m samples: dead time spread over one block.

    The variance of means of `m` samples with dead time in between, over that with the
    same dead time all at the end of each mean.
    """
    if mu <= -2.0:  # F is 0 then: m independent readings
        return 1.0 if r == 1.0 else float(m)
    mu = _smooth(mu)
    n = np.arange(1.0, m)
    inner = 2.0 * _f(n * r, mu) - _f((m + n) * r, mu) - _f((m - n) * r, mu)
    total = 2.0 * m + m * float(_f(m * r, mu)) - float(np.sum((m - n) * inner))
    return total / (float(m ** (mu + 2.0)) * (float(_f(r, mu)) + 2.0))
