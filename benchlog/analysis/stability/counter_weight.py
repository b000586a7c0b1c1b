"""How a counter that averages within its gate changes the deviations of its readings.

A counter that takes two stamps weighs all instants of the gate alike. One that averages
overlapping sub-gates weighs them by a triangle, one that fits a line through many
stamps by a parabola: both look at the middle most. White phase noise is averaged in
each reading, and falls with the gate as in a modified Allan deviation; the slower
noises read a little higher than with two stamps.

Sources: E. Rubiola, "On the measurement of frequency and of its sample variance with
high-resolution counters" (2005); S. T. Dawkins, J. J. McFerran, A. N. Luiten (2007);
E. Rubiola, M. Lenczner, P.-Y. Bourgeois, F. Vernotte, "The Omega counter" (2016); all
from memory. The figures here are worked out from the weights.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.stability.dead_time import dead_time_bias
from benchlog.model import AVERAGING, REGRESSION, TWO_STAMPS

Array = NDArray[np.float64]
_STAMPS: Final = 480  # our rule: stamps in a gate; more change ratios by under 0.3 %
_MOST: Final = 32  # our rule: beyond, the share that the weights have changes no more
_MU: Final = {0: -1.0, -1: 1e-4, -2: 1.0}  # source: as in `dead_time`


def phase_weights(mode: str, stamps: int) -> Array:
    """Return the weights of phase at `stamps` + 1 even instants of a gate of 1 s.

    Their sum with the phases is the reading: they sum to 0, and to 1 with the times.
    """
    weights = np.zeros(stamps + 1)
    at = np.linspace(0.0, 1.0, stamps + 1)
    if mode == AVERAGING:
        weights = np.sign(at - 0.5)
        weights[[0, -1]] *= 0.5
    elif mode == REGRESSION:
        weights = at - 0.5
    else:
        weights[[0, -1]] = -1.0, 1.0
    return np.asarray(weights / (weights @ at))


def counter_bias(mode: str, m: int, r: float, alpha: int) -> float | None:
    """Return the Allan variance of averages of m readings over that of two stamps.

    Parameters
    ----------
    mode : str
        One of `COUNTING`.
    m : int
        Readings in an average.
    r : float
        Spacing of the readings over their gate, 1 without dead time; the other is a
        gapless counter with two stamps, at m gates.
    alpha : int
        0 white FM, -1 flicker FM, -2 random walk. Others: None for an averaging
        counter, whose share of phase noise depends on how many stamps it takes.

    """
    if mode not in (AVERAGING, REGRESSION):
        return dead_time_bias(m, r, alpha)
    if alpha not in _MU:
        return None
    few, spacing = min(m, _MOST), round(r * _STAMPS)
    own, plain = (
        _variance(phase_weights(one, _STAMPS), few, spacing, _MU[alpha])
        for one in (mode, TWO_STAMPS)
    )
    return own / plain * dead_time_bias(m, r, alpha)


def bias_across_dead_time(
    m: int, r: float, alpha: int, mode: str = TWO_STAMPS
) -> float | None:
    """Return the bias of noise that readings with dead time show; None for white ones.

    Noise that shows as white PM or flicker PM across dead time does so because it is
    slower than that: neighbouring gates share it as without dead time.
    """
    if alpha == 0:
        return None
    return counter_bias(mode, m, 1.0 if alpha > 0 else r, alpha)


def _variance(weights: Array, m: int, spacing: int, mu: float) -> float:
    """Return half the mean square of the difference of two adjacent averages.

    The phase has the structure function |t|^(mu + 2), of which the squares of all such
    sums are made: -1/2 sum v v' |t - t'|^(mu + 2).
    """
    sign = np.repeat([-1.0, 1.0], m) / m
    whole = np.zeros((2 * m - 1) * spacing + len(weights))
    for at, one in enumerate(sign):
        whole[at * spacing : at * spacing + len(weights)] += one * weights
    size = 2 * len(whole)
    product = np.fft.irfft(np.abs(np.fft.rfft(whole, size)) ** 2, size)
    lag = np.arange(len(whole), dtype=np.float64)
    return float(-0.5 * np.sum(product[: len(whole)] * lag ** (mu + 2.0)))
