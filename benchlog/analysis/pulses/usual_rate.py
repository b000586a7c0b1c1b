"""How often pulses really come, whatever grid they were expected on.

A tracker puts stamps on the grid that was stated. Pulses at twice the rate leave every
second one on that grid, spotless, and the rest set aside: only their spacing tells.
"""

from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchlog.units import NS_PER_S

# MOST_TIMES: our rule, no source: a decade. The others: tests/finders/rate_signs.py.
# Criterion: at most 0.5 % of trains at the stated rate are told another, most of the
# other rates are told.
FEWEST: Final = 8
"""Spacings below which nothing is claimed."""
ALIKE: Final = 0.05
"""How far a spacing may be from the median and count as alike, as a share of it."""
MOST: Final = 0.8
"""Share of spacings that must be alike; stray extra or missing pulses are fewer."""
MOST_TIMES: Final = 10
"""The highest multiple that is looked for where pulses are missing."""
SHARES: Final = (0.9, 0.6, 0.3)
"""Shares of spacings: whole numbers of the shorter one at least; one or two of it; no
whole number of the stated one; 40 % may be missing."""


class RateSigns(NamedTuple):
    """How many spacings, how alike, and which shares of them, tell a rate."""

    fewest: int = FEWEST
    alike: float = ALIKE
    most: float = MOST
    shares: tuple[float, float, float] = SHARES


_SIGNS: Final = RateSigns()


def usual_rate(
    mono_ns: Sequence[int],
    segment: Sequence[int],
    nominal_s: float,
    signs: RateSigns = _SIGNS,
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
    signs : RateSigns
        By which a rate is told.

    Returns
    -------
    float or None
        The ratio; 1 where pulses come as stated. None for few or uneven spacings.

    """
    spacing_ns = np.diff(np.asarray(mono_ns, dtype=np.int64))
    same = np.diff(np.asarray(segment, dtype=np.int64)) == 0
    spacing_ns = spacing_ns[same]
    if len(spacing_ns) < signs.fewest:
        return None
    median_ns = float(np.median(spacing_ns))
    alike = np.abs(spacing_ns - median_ns) <= signs.alike * median_ns
    nominal_ns = nominal_s * NS_PER_S
    if median_ns > 0 and np.count_nonzero(alike) >= signs.most * len(spacing_ns):
        return nominal_ns / float(spacing_ns[alike].mean())
    return _rate_with_gaps(spacing_ns / nominal_ns, signs)


def _rate_with_gaps(spacing: NDArray[np.float64], signs: RateSigns) -> float | None:
    """Return the rate of pulses at a multiple of it, some of which are missing.

    `spacing` is in units of the stated one. Spacings of one, two, three ... of a
    shorter one tell, where the shortest are the most frequent and many are no whole
    number of the stated one. Where a few pulses of the stated rate are missing, all
    are; where a line triggers on both edges, two spacings take turns.
    """
    for times in range(2, MOST_TIMES + 1):
        whole = np.round(spacing * times)
        fits = (whole >= 1) & (np.abs(spacing * times - whole) <= signs.alike)
        short = fits & (whole <= 2)
        between = fits & (whole % times != 0)
        shares = [float(np.mean(which)) for which in (fits, short, between)]
        if all(
            share >= least for share, least in zip(shares, signs.shares, strict=True)
        ):
            return float(whole[fits].sum() / spacing[fits].sum())
    return None
