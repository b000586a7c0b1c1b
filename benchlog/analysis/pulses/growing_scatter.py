"""Stamps that scatter more and more: what a line may take for a slow device.

A delay cannot be negative, so under a load that grows stamps scatter more and come
later at once. A run of a few dozen stamps is too short to show that they are one-sided
(`lateness.py`), but it shows that their scatter grows: for exponential delays the mean
delay grows by as much as their standard deviation. Where the scatter about the line
changes by more than chance, its slope is one more standard uncertainty of the line's.
"""

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.distributions import student_quantile
from benchlog.analysis.pulses.slope import ASIDE, SlopeFit, robust_deviation

Array = NDArray[np.float64]

_CALLED_FALSELY: Final = 0.05  # our rule: of runs whose stamps scatter alike throughout
_FEWEST: Final = 10  # our rule: fewer show no change of their scatter
# derived: mean of an exponential delay over its mean distance from it, e / 2
_DELAY_OF_SCATTER: Final = 1.36


def scatter_slope(t_s: Array, fit: SlopeFit) -> float:
    """Return by how much the mean delay may grow, in s per s; 0 where nothing tells so.

    Parameters
    ----------
    t_s : array, shape (n,)
        Times of the stamps, in s.
    fit : SlopeFit
        The line through them. What lies beyond its bound for stamps set aside counts as
        that bound: one stamp tells little of a scatter.

    """
    n = len(t_s)
    scatter_s = robust_deviation(fit.residual_s)
    if n < _FEWEST or scatter_s <= 0:
        return 0.0
    distance_s = np.minimum(np.abs(fit.residual_s), ASIDE * scatter_s)
    away = t_s - t_s.mean()
    spread = float(away @ away)
    slope = float(away @ distance_s) / spread
    left = distance_s - distance_s.mean() - slope * away
    u = float(np.sqrt(left @ left / (n - 2) / spread))
    if abs(slope) <= student_quantile(n - 2, 1.0 - _CALLED_FALSELY / 2.0) * u:
        return 0.0
    return _DELAY_OF_SCATTER * slope


def with_scatter_slope(fit: SlopeFit, slope: float) -> SlopeFit:
    """Add what stamps may come later and later by to the line's u."""
    if not slope:
        return fit
    u = float(np.hypot(fit.u, slope))
    return replace(fit, u=u, white=fit.white * (fit.u / u) ** 2)
