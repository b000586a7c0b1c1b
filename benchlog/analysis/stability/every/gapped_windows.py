"""Modified Allan at every averaging factor where values are missing.

Its windows have every value, so each lies in one unbroken stretch: what a run has is
the sum over its stretches, each of which is gapless. No error is added to theirs, since
all terms are squares.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.series import Series, phase_of
from benchlog.analysis.stability.difference_sums import gapped_squares, stretches
from benchlog.analysis.stability.every.all_factors import MODIFIED, every_mean_square

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

_FEW: Final = (
    384  # our rule: for speed alone; shorter stretches are gone through together
)


def gapped_modified(frequency: Array, top: int) -> tuple[Array, Whole]:
    """Return the mean squares at m = 1 ... top, and of how many windows.

    Parameters
    ----------
    frequency : array, shape (n,)
        NaN where one is missing. Squares are in units of phase in units of tau0.
    top : int
        The largest averaging factor; zero of zero windows where no stretch has one.

    """
    sums, windows = np.zeros(top), np.zeros(top, dtype=np.int64)
    starts, ends = stretches(frequency)
    for start, end in zip(starts.tolist(), ends.tolist(), strict=True):
        last = min(top, (end - start + 1) // MODIFIED.order)
        if end - start < _FEW or not last:
            continue
        phase, _ = phase_of(Series(frequency[start:end], 1.0), exact=True)
        n = MODIFIED.count(len(phase), 0) - MODIFIED.order * np.arange(1, last + 1)
        sums[:last] += every_mean_square(phase, MODIFIED, last) * n
        windows[:last] += n
    short = _short_ones(frequency, starts, ends)
    factors = range(1, min(top, _FEW // MODIFIED.order) + 1 if len(short) else 1)
    for one in gapped_squares(short, list(factors)):
        sums[one.m - 1] += one.modified * one.n_modified
        windows[one.m - 1] += one.n_modified
    return sums / np.maximum(windows, 1), windows


def _short_ones(frequency: Array, starts: Whole, ends: Whole) -> Array:
    """Return the short stretches one after the other, a value missing between two."""
    is_short = ends - starts < _FEW
    kept = np.zeros(len(frequency) + 1, dtype=np.int64)
    np.add.at(kept, starts[is_short], 1)
    np.add.at(kept, np.minimum(ends[is_short] + 1, len(frequency)), -1)
    return frequency[np.cumsum(kept[:-1]) > 0]
