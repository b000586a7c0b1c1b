"""Sums of products whose number grows with the lag: what overlapping sums lack at ends.

Sum over j < a m of r[j] r[j + l m], for all m at once. In the plane of j and m this is
a wedge. It is cut into rectangles, which are correlations and go through Fourier
transforms, each half as large as the ones before; what is left of the wedge are narrow
teeth, which are summed as they are. For M factors that takes M log(M)^2 operations.
"""

from typing import Final

import numpy as np
from numpy.lib.stride_tricks import as_strided
from numpy.typing import NDArray

from benchlog.analysis.stability.every.lagged_products import quick_size, rounding

Array = NDArray[np.float64]

# derived: the rectangles that a factor needs have no j in common, and each value is in
# at most four of their windows
_SHARED: Final = 2.0
_TEETH: Final = (32, 36, 40, 48, 60, 64)  # our rule: for speed alone


def edge_sums(
    ends: Array, growth: int, lag: int, low: int, top: int
) -> tuple[Array, float]:
    """Return the sums at m = low + 1 ... top, of all rows together, and their error.

    Parameters
    ----------
    ends : array, shape (rows, n)
        r from its end on; zeros follow.
    growth, lag : int
        a and l: a m products of values l m apart.

    """
    tooth, levels = _cut(top - low)
    reach = (growth + lag) * (low + (tooth << levels)) + 1
    rows = np.zeros((len(ends), reach))
    there = min(reach, ends.shape[1])
    rows[:, :there] = ends[:, :there]
    sums = np.zeros(tooth << levels)
    sums += _before(rows, growth, lag, low, len(sums))
    for level in range(levels):
        half = tooth << (levels - 1 - level)
        sums.reshape(-1, 2, half)[:, 1] += _rectangles(rows, growth, lag, low, half)
    _add_teeth(sums.reshape(-1, tooth), rows, growth, lag, low)
    used = rows[:, : (growth + lag) * top]
    head = used[:, : growth * top]
    norms = float(
        np.sqrt(
            np.einsum("ij,ij->i", head, head) * np.einsum("ij,ij->i", used, used)
        ).sum()
    )
    return sums[: top - low], _SHARED * rounding(2 * reach) * norms


def _cut(count: int) -> tuple[int, int]:
    """Return how wide a tooth is, and how often they are joined in pairs."""
    levels = max(0, (-(-count // _TEETH[-1]) - 1).bit_length())
    least = -(-count // (1 << levels))
    return next(one for one in _TEETH if one >= least), levels


def _before(rows: Array, growth: int, lag: int, low: int, count: int) -> Array:
    """Sums over j < growth * low, which all factors share."""
    width = growth * low
    if not width:
        return np.zeros(count)
    start = lag * (low + 1)
    return _correlated(
        rows[:, None, :width], rows[:, None, start : start + width + lag * count], lag
    )[0, :count]


def _rectangles(rows: Array, growth: int, lag: int, low: int, half: int) -> Array:
    """Sums over the j that the upper half of each stretch of 2 half has whole."""
    count = (rows.shape[1] - 1) // (growth + lag) - low
    stretches = count // (2 * half)
    blocks = _strided(rows, growth * low, 2 * growth * half, stretches, growth * half)
    start = growth * low + lag * (low + half + 1)
    windows = _strided(
        rows,
        start,
        2 * (growth + lag) * half,
        stretches,
        (growth + lag) * half - lag,
    )
    return _correlated(blocks, windows, lag)[:, :half]


def _correlated(blocks: Array, windows: Array, lag: int) -> Array:
    """Sums over rows of blocks[i] windows[i + lag d], shape (stretches, ...) by d."""
    size = quick_size(max(windows.shape[-1], blocks.shape[-1]))
    spectrum = np.fft.rfft(blocks, size)
    np.conjugate(spectrum, out=spectrum)
    spectrum *= np.fft.rfft(windows, size)
    return np.fft.irfft(spectrum.sum(axis=0), size)[:, ::lag]


def _add_teeth(teeth: Array, rows: Array, growth: int, lag: int, low: int) -> None:
    stretches, tooth = teeth.shape
    step = growth * tooth
    for more in range(1, tooth + 1):
        width = growth * more
        left = _strided(rows, growth * low, step, stretches, width)
        right = _strided(
            rows,
            growth * low + lag * (low + more),
            step + lag * tooth,
            stretches,
            width,
        )
        teeth[:, more - 1] += np.einsum("rsi,rsi->s", left, right)


def _strided(rows: Array, start: int, step: int, count: int, width: int) -> Array:
    """Return views of each row, shape (rows, count, width), `step` apart."""
    assert start + (count - 1) * step + width <= rows.shape[1]
    return as_strided(
        rows[:, start:],
        (len(rows), count, width),
        (rows.strides[0], step * rows.itemsize, rows.itemsize),
        writeable=False,
    )
