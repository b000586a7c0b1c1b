"""Scatter from reading to reading: the Allan deviation at the gate, and how sure it is.

A pair of neighbours has 0.51 degrees of freedom in white PM, 0.67 in white FM and 1 in
random walk (exact, `freedom`). Which noise there is at the gate, the Allan variance at
twice the gate tells: over that at the gate it is 1/4, 1/2 and 3/2. The edf of what lies
between is blended. It is taken one standard error nearer to the quick noises, as one
that looks slower by chance would have more freedom than there is.
"""

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np

from benchlog.analysis.stability.freedom import (
    Differences,
    blended_freedom,
    difference_covariance,
)
from benchlog.analysis.stats import RunStats

_ALPHAS: Final = (2, 1, 0, -1, -2)  # definition
_SLOW: Final = -0.5  # definition: nearer to flicker FM than to white FM


@dataclass(frozen=True, slots=True, kw_only=True)
class GateScatter:
    """The Allan deviation at the gate, ppm, its edf and its noise.

    `alpha` may lie between two noises. `per_pair`: edf of one pair of neighbours.
    """

    ppm: float
    freedom: float
    per_pair: float
    alpha: float

    @property
    def slow(self) -> bool:
        """Whether the noise is slow at the gate already: flicker FM or slower."""
        return self.alpha <= _SLOW


def gate_scatter(stats: RunStats) -> GateScatter | None:
    """Return the scatter at the gate; None where no two readings follow each other.

    Without an Allan variance at twice the gate the noise is taken as white PM, which
    leaves least freedom.
    """
    ppm = stats.scatter_ppm
    if ppm is None:
        return None
    first = stats.avar[0]
    second = next((point for point in stats.avar if point.m == 2), None)
    n = max(1, first.n)
    pairs = Differences(order=2, m=1, pairs=n)
    alpha = quicker = 2.0
    if second is not None and second.n and first.avar > 0.0:
        ratio = second.avar / first.avar
        alpha = _alpha_of(ratio)
        error = 1.0 / math.sqrt(max(1.0, blended_freedom(pairs, alpha)))
        quicker = _alpha_of(ratio * (1.0 - error))
    freedom = max(1.0, blended_freedom(pairs, quicker))
    return GateScatter(ppm=ppm, freedom=freedom, per_pair=freedom / n, alpha=alpha)


def _alpha_of(ratio: float) -> float:
    return float(np.interp(ratio, variance_ratios(), _ALPHAS))


@lru_cache(maxsize=1)
def variance_ratios() -> tuple[float, ...]:
    """Return Allan variances at two gates over those at one, of each noise; rising."""
    return tuple(_variance(2, alpha) / _variance(1, alpha) for alpha in _ALPHAS)


def _variance(m: int, alpha: int) -> float:
    shape = Differences(order=2, m=m, pairs=2)
    return float(difference_covariance(np.zeros(1), shape, alpha)[0]) / m**2
