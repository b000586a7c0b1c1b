"""Which noise is named at each averaging time of a series.

Averages, and the slopes of the Allan and the modified Allan variance, are taken of the
middle of long data: a name needs no more.
"""

import math
from collections.abc import Sequence
from functools import partial
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.arrays import sum_squares
from benchlog.analysis.stability.difference_sums import (
    gapped_averages,
    gapped_squares,
    mean_squares,
)
from benchlog.analysis.stability.lag_one import phase_noise_ratios
from benchlog.analysis.stability.noise_identification import (
    MOST,
    Named,
    Slopes,
    named,
)

Array = NDArray[np.float64]

# our rule: blocks of phases that the slope of phase noise is taken of, four to the
# shorter averaging time. That is 1,024 windows, good to 0.1, or as many as there are
_BLOCKS: Final = 1 << 12
# our rule: the four of above
_TO_A_WINDOW: Final = 4


def name_noises(
    phase: Array, frequency: Array, factors: Sequence[int]
) -> dict[int, Named]:
    """Name the noise at each averaging factor; the last known one carries on.

    Parameters
    ----------
    phase : array, shape (n,)
        In units of tau0; empty where values are missing.
    frequency : array, shape (n - 1,)
        Used where values are missing (NaN).
    factors : sequence of int
        Rising. Noise is looked for at every octave up to the last, so that a name does
        not depend on which averaging times were asked for. A factor between two has
        the name of the lower one; what its interval takes goes evenly in ln(m).

    """
    found = octave_names(phase, frequency, max(factors))
    return {m: found.get(m) or _between(found, m) for m in factors}


def octave_names(phase: Array, frequency: Array, top: int) -> dict[int, Named]:
    """Name the noise at each octave up to a factor, as `name_noises` does."""
    last, before = Named(), 1
    found: dict[int, Named] = {}
    for m in (1 << k for k in range(top.bit_length())):
        slopes = Slopes(
            allan=partial(_allan_slope, phase, frequency, before, m),
            phase=partial(_phase_share, phase, frequency, before, m),
        )
        last = found[m] = named(_averages(phase, frequency, m), m, last, slopes)
        before = m
    return found


def _between(found: dict[int, Named], m: int) -> Named:
    """Return the name at the octave before m, and what lies between it and the next."""
    low = 1 << (m.bit_length() - 1)
    here, above = found[low], found.get(2 * low)
    if above is None or here.cautious is None or above.cautious is None:
        return here
    way = math.log2(m / low)
    blend = here.cautious + way * (above.cautious - here.cautious)
    return Named(here.likely, blend, here.carried)


def _averages(phase: Array, frequency: Array, m: int) -> Array:
    if not len(phase):
        return gapped_averages(frequency, m)
    middle = max(0, len(phase) - MOST * m) // 2
    return np.diff(phase[middle::m][: MOST + 1]) / m


def _allan_slope(phase: Array, frequency: Array, before: int, m: int) -> float | None:
    """Return the slope of ln(Allan variance) from one factor to another."""
    if len(phase):
        first, second = mean_squares(phase, [before, m], only_allan=True)
    else:
        first, second = gapped_squares(frequency, [before, m])
    if first.allan <= 0.0 or second.allan <= 0.0:
        return None
    ratio = math.log(m / before)
    return (math.log(second.allan / first.allan) - 2.0 * ratio) / ratio


def _phase_share(phase: Array, frequency: Array, before: int, m: int) -> float | None:
    """Return how far the modified Allan variance falls like that of white PM.

    From the factor before to m, or from m to 2m at the first; 0 as that of flicker PM.
    """
    if before == m:
        m = 2 * m
    if len(phase):
        first, second = _modified_squares(phase, before, m)
    else:
        first, second = (one.modified for one in gapped_squares(frequency, [before, m]))
    if first <= 0.0 or second <= 0.0:
        return None
    ratio = math.log(second / first) - 2.0 * math.log(m / before)
    white, flicker = phase_noise_ratios(before, m)
    return (flicker - ratio) / (flicker - white)


def _modified_squares(phase: Array, before: int, m: int) -> tuple[float, float]:
    """Return mean square second differences of phases averaged over each factor."""
    size = max(1, before // _TO_A_WINDOW)
    count = min(_BLOCKS, len(phase) // size)
    start = (len(phase) - count * size) // 2
    blocks = phase[start : start + count * size].reshape(count, size).mean(axis=1)
    summed = np.concatenate(([0.0], np.cumsum(blocks - blocks.mean())))
    return _windows(summed, before // size), _windows(summed, m // size)


def _windows(summed: Array, k: int) -> float:
    means = (summed[k:] - summed[:-k]) / k
    apart = means[2 * k :] - 2.0 * means[k:-k] + means[: -2 * k]
    return sum_squares(apart) / len(apart) if len(apart) else 0.0
