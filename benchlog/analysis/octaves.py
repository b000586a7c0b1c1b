"""The overlapping Allan variance at octaves, reading by reading, in constant memory.

The phase of a contiguous block is a running sum of frequency values, kept as two
doubles so that its length costs no digits. Up to an averaging factor of 32,768 every
overlapping pair counts; beyond, the phase is thinned out in step with the factor,
which loses no measurable information (a pair starts every 1/32,768 of its length).
"""

from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.linefit import ExactSum

Array = NDArray[np.float64]

_TOP: Final = 15  # the last octave with every pair: m = 2**15
_REACH: Final = 2 << _TOP  # phases back from the newest that are still needed


@dataclass(slots=True)
class OctaveSum:
    """Sum of squared second differences of phase at one averaging factor."""

    m: int
    pairs: int = 0
    squares: ExactSum = field(default_factory=ExactSum)


class _Level:
    """The newest phases of the block at one stride, in an amortised buffer."""

    def __init__(self, stride: int) -> None:
        self.stride = stride
        self.count = 0  # phases of this block so far, kept or not
        self._fill = 0
        self._hi = np.zeros(256)
        self._lo = np.zeros(256)

    def clear(self) -> None:
        self.count = self._fill = 0

    def append(self, hi: Array, lo: Array) -> None:
        """Add phases; at most the last `_REACH` before them are kept."""
        need = self._fill + len(hi)
        if need > len(self._hi):
            self._make_room(len(hi))
        end = self._fill + len(hi)
        self._hi[self._fill : end] = hi
        self._lo[self._fill : end] = lo
        self._fill = end
        self.count += len(hi)

    def _make_room(self, more: int) -> None:
        keep = min(self._fill, _REACH)
        start = self._fill - keep
        size = max(len(self._hi), 2 * (keep + more))
        fresh_hi, fresh_lo = self._hi, self._lo
        if size > len(self._hi):
            fresh_hi, fresh_lo = np.zeros(size), np.zeros(size)
        fresh_hi[:keep] = self._hi[start : self._fill].copy()
        fresh_lo[:keep] = self._lo[start : self._fill].copy()
        self._hi, self._lo, self._fill = fresh_hi, fresh_lo, keep

    def every_second(self) -> tuple[Array, Array]:
        """Return what a level of twice the stride would hold by now."""
        kept = slice(self._fill - self.count, self._fill, 2)
        return self._hi[kept].copy(), self._lo[kept].copy()

    def second_differences(self, m: int, new: int) -> Array | None:
        """Return x[k+2m] - 2 x[k+m] + x[k] for those k that `new` phases complete."""
        ends = min(new, self.count - 2 * m)
        if ends <= 0:
            return None
        b = self._fill
        a = b - ends
        hi, lo = self._hi, self._lo
        out = hi[a:b] - hi[a - m : b - m]
        out -= hi[a - m : b - m] - hi[a - 2 * m : b - 2 * m]
        out += (lo[a:b] - lo[a - m : b - m]) - (
            lo[a - m : b - m] - lo[a - 2 * m : b - 2 * m]
        )
        return out


class Octaves:
    """Allan sums over contiguous blocks of equally spaced frequency values."""

    def __init__(self) -> None:
        self.sums: list[OctaveSum] = []
        self._levels = [_Level(1)]
        self._hi = self._lo = 0.0
        self._index = 0  # of the newest phase in the block
        self.start_block()

    def start_block(self) -> None:
        """Forget the phase: the next value does not follow from the last."""
        del self._levels[1:]
        self._levels[0].clear()
        self._levels[0].append(np.zeros(1), np.zeros(1))
        self._hi = self._lo = 0.0
        self._index = 0

    def feed(self, values: Array) -> None:
        """Continue the block by frequency values (any unit), oldest first."""
        for start in range(0, len(values), _REACH):
            self._feed_some(values[start : start + _REACH])

    def _feed_some(self, values: Array) -> None:
        hi, lo = self._running_sum(values)
        first = self._index + 1
        self._index += len(values)
        self._levels[0].append(hi, lo)
        for octave in range(_TOP + 1):
            m = 1 << octave
            if not self._collect(octave, m, self._levels[0], len(values), m):
                break
        self._feed_thinned(hi, lo, first)

    def _running_sum(self, values: Array) -> tuple[Array, Array]:
        """Continue the phase; `lo` is the exact rounding error of `hi` so far."""
        chain = np.concatenate(([self._hi], values))
        total = np.cumsum(chain)
        before, after = total[:-1], total[1:]
        gained = after - before  # Knuth's two-sum, elementwise
        errors = (before - (after - gained)) + (values - gained)
        errors[0] += self._lo
        low = np.cumsum(errors)
        self._hi, self._lo = float(after[-1]), float(low[-1])
        return after, low

    def _feed_thinned(self, hi: Array, lo: Array, first: int) -> None:
        """Hand every 2nd, 4th, ... phase to the levels that need it."""
        depth = 1
        while depth < len(self._levels) or self._levels[-1].count > _REACH:
            if depth == len(self._levels):
                level, new = self._deepen()
            else:
                level = self._levels[depth]
                kept = slice(-first % level.stride, None, level.stride)
                level.append(hi[kept], lo[kept])
                new = len(hi[kept])
            self._collect(_TOP + depth, level.stride << _TOP, level, new, 1 << _TOP)
            depth += 1

    def _deepen(self) -> tuple[_Level, int]:
        """Add a level of twice the stride; the one below still holds all phases."""
        below = self._levels[-1]
        level = _Level(2 * below.stride)
        level.append(*below.every_second())
        self._levels.append(level)
        return level, level.count

    def _collect(self, octave: int, m: int, level: _Level, new: int, lag: int) -> bool:
        found = level.second_differences(lag, new)
        if found is None:
            return False
        if octave == len(self.sums):
            self.sums.append(OctaveSum(m))
        total = self.sums[octave]
        total.pairs += len(found)
        total.squares.add([float(found @ found)])
        return True
