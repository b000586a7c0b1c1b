"""The largest swing of phase in any window: sliding extremes in little memory.

Short windows: extremes by doubling, in pieces of the phase. Long ones: neighbouring
windows have a core in common; to its extremes come those of what each window has more
at its left and at its right, which running extremes give.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.arrays import BLOCK

Array = NDArray[np.float64]

_PIECES: Final = 8  # our rule: extremes of an eighth of the phase are in memory


def widest_swings(phase: Array, factors: list[int]) -> list[float]:
    """Return the largest peak-to-peak phase in any window of m + 1 points, each m.

    `factors` must rise; a window longer than the data yields 0. Beyond the phase, less
    than half as much memory is used.
    """
    n = len(phase)
    piece = max(n // _PIECES, min(n, BLOCK))
    short_most = piece // 2 if piece < n else n
    short = [m for m in factors if m + 1 <= short_most]
    found = np.zeros(len(short))
    for start in range(0, n, piece):
        some = phase[start : start + piece + short_most]
        np.maximum(found, _by_doubling(some, short), out=found)
    return [
        *found.tolist(),
        *(_long(phase, m + 1, short_most) for m in factors[len(short) :]),
    ]


def _by_doubling(phase: Array, factors: list[int]) -> list[float]:
    """Return the swings; a window of 2p points is two windows of p."""
    low, high = phase.copy(), phase.copy()
    count, width, found = len(phase), 1, []
    for m in factors:
        while 2 * width <= min(m + 1, len(phase)):
            count -= width
            _slide(np.minimum, low, width, count)
            _slide(np.maximum, high, width, count)
            width *= 2
        found.append(_widest(low, high, m + 1 - width, count))
    return found


def _slide(extreme: np.ufunc, values: Array, width: int, count: int) -> None:
    """Make each value the extreme of itself and the one `width` on, oldest first."""
    for start in range(0, count, BLOCK):
        end = min(start + BLOCK, count)
        ahead = values[start + width : end + width]
        extreme(values[start:end], ahead, out=values[start:end])


def _widest(low: Array, high: Array, rest: int, count: int) -> float:
    """Largest distance of extremes over windows longer by `rest` than those given."""
    widest = 0.0
    for start in range(0, count - rest, BLOCK):
        end = min(start + BLOCK, count - rest)
        top = np.maximum(high[start:end], high[start + rest : end + rest])
        top -= np.minimum(low[start:end], low[start + rest : end + rest])
        widest = max(widest, float(top.max()))
    return widest


def _long(phase: Array, width: int, together: int) -> float:
    """Largest swing of windows of `width` points, `together` (no more) at a time."""
    widest, windows = 0.0, len(phase) - width + 1
    for start in range(0, windows, together):
        more = min(together, windows - start) - 1
        left = phase[start : start + more]
        core = phase[start + more : start + width]
        right = phase[start + width : start + width + more]
        swings = _reached(np.maximum, left, core, right)
        swings -= _reached(np.minimum, left, core, right)
        widest = max(widest, float(swings.max()))
    return widest


def _reached(extreme: np.ufunc, left: Array, core: Array, right: Array) -> Array:
    """Return the extremes of windows that each lose a left point and gain a right."""
    out = np.full(len(left) + 1, extreme.reduce(core))
    if len(left):
        extreme(out[:-1], extreme.accumulate(left[::-1])[::-1], out=out[:-1])
        extreme(out[1:], extreme.accumulate(right), out=out[1:])
    return out
