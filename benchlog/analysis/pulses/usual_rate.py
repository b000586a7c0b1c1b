"""How often pulses really come, whatever grid they were expected on.

A tracker puts stamps on the grid that was stated. Pulses at twice the rate leave every
second one on that grid, spotless, and the rest set aside: only their spacing tells.
"""

from collections.abc import Sequence
from typing import Final

import numpy as np

from benchlog.units import NS_PER_S

FEWEST: Final = 8
"""Spacings below which nothing is claimed. Our rule, no source."""
ALIKE: Final = 0.1
"""How far a spacing may be from the median and count as alike, as a share of it."""
MOST: Final = 0.8
"""Share of spacings that must be alike; stray extra or missing pulses are fewer."""


def usual_rate(
    mono_ns: Sequence[int], segment: Sequence[int], nominal_s: float
) -> float | None:
    """Return how many pulses come in the time in which one was expected.

    Parameters
    ----------
    mono_ns : sequence of int
        Every stamp in the order of time, those set aside included.
    segment : sequence of int
        The stretch of one monotonic clock that each belongs to.
    nominal_s : float
        The spacing that was stated, in s.

    Returns
    -------
    float or None
        The ratio; 1 where pulses come as stated. None for few or uneven spacings.

    """
    spacing_ns = np.diff(np.asarray(mono_ns, dtype=np.int64))
    same = np.diff(np.asarray(segment, dtype=np.int64)) == 0
    spacing_ns = spacing_ns[same]
    if len(spacing_ns) < FEWEST:
        return None
    median_ns = float(np.median(spacing_ns))
    alike = np.abs(spacing_ns - median_ns) <= ALIKE * median_ns
    if median_ns <= 0 or np.count_nonzero(alike) < MOST * len(spacing_ns):
        return None
    return nominal_s * NS_PER_S / float(spacing_ns[alike].mean())
