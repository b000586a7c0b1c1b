"""A straight line through a stream: merged chunk by chunk, without cancellation.

Sums of squares of raw values lose the scatter behind the offset; here every chunk is
fitted about its own centre and fits are merged by formulas whose terms are all
positive, so that a drift or an odd first reading costs no digits.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.arrays import product_sum, sum_squares

Array = NDArray[np.float64]
_FEW: Final = 64  # our rule: for speed alone


@dataclass(slots=True)
class ExactSum:
    """A sum kept as two doubles, right to the last bit whatever the order."""

    hi: float = 0.0
    lo: float = 0.0

    def add(self, values: Sequence[float]) -> None:
        """Add values; each step is an exactly rounded sum of all terms."""
        terms = [*values, self.hi, self.lo]
        hi = math.fsum(terms)
        terms.append(-hi)
        self.hi, self.lo = hi, math.fsum(terms)

    def mean(self, n: int) -> float:
        """Return the sum over n."""
        return self.hi / n + self.lo / n


def two_fold(values: Array) -> tuple[float, float]:
    """Return a sum as two doubles, right to twice the digits of one.

    Halves are added to each other with Knuth's two-sum, elementwise, until one value is
    left: as good as an exact sum of Python's numbers, and many times as fast.
    """
    rest = 0.0
    while (n := len(values)) > _FEW:
        half = n // 2
        one, other, odd = values[:half], values[half : 2 * half], values[2 * half :]
        total = one + other
        gained = total - one
        rest += float(((one - (total - gained)) + (other - gained)).sum())
        values = np.concatenate((total, odd)) if len(odd) else total
    terms = [*values.tolist(), rest]
    hi = math.fsum(terms)
    terms.append(-hi)
    return hi, math.fsum(terms)


@dataclass(slots=True, kw_only=True)
class LineFit:
    """Least-squares line y = mean + slope (t - mean t) of everything fed so far.

    `s_tt` is the sum of squared time deviations, `rss` the residual sum of squares.
    """

    n: int = 0
    slope: float = 0.0
    s_tt: float = 0.0
    _rss: ExactSum = field(default_factory=ExactSum)
    _t: ExactSum = field(default_factory=ExactSum)
    _y: ExactSum = field(default_factory=ExactSum)

    @property
    def mean_t(self) -> float:
        """Mean time; 0 while empty."""
        return self._t.mean(self.n) if self.n else 0.0

    @property
    def mean_y(self) -> float:
        """Mean value; 0 while empty."""
        return self._y.mean(self.n) if self.n else 0.0

    @property
    def rss(self) -> float:
        """Residual sum of squares about the line."""
        return self._rss.hi

    @property
    def s_yy(self) -> float:
        """Sum of squared deviations about the mean."""
        return self.rss + self.slope * self.slope * self.s_tt

    def feed(self, t: Array, y: Array) -> None:
        """Take in a chunk: times in s and values, equal length, at least one."""
        n, t_mean, y_mean = len(t), self.mean_t, self.mean_y
        sums = two_fold(t), two_fold(y)
        chunk_t, chunk_y = sums[0][0] / n, sums[1][0] / n
        dt, dy = t - chunk_t, y - chunk_y
        s_tt = sum_squares(dt)
        slope = product_sum(dt, dy) / s_tt if s_tt > 0 else 0.0
        rest = dy - slope * dt
        rss = sum_squares(rest)
        self._merge(n, (chunk_t - t_mean, chunk_y - y_mean), s_tt, slope, rss)
        self._t.add(sums[0])
        self._y.add(sums[1])

    def _merge(
        self, n: int, step: tuple[float, float], s_tt: float, slope: float, rss: float
    ) -> None:
        """Merge two fits; `step` is the way from our centre to the other's.

        With weights A, B (the two s_tt) and C = w dt^2 (between the centres) the sums
        of squares add up to those of three slopes; the rest is their spread.
        """
        if self.n == 0:
            self.n, self.slope, self.s_tt = n, slope, s_tt
            self._rss.add([rss])
            return
        dt, dy = step
        w = self.n * n / (self.n + n)
        ahead = dy - self.slope * dt
        beside = dy - slope * dt
        total = self.s_tt + s_tt + w * dt * dt
        turn = slope - self.slope
        if total > 0:
            between = self.s_tt * s_tt * turn * turn
            between += w * (self.s_tt * ahead * ahead + s_tt * beside * beside)
            self._rss.add([rss, between / total])
            self.slope += (s_tt * turn + w * dt * ahead) / total
        else:  # all at one instant: no line, only scatter
            self._rss.add([rss, w * dy * dy])
        self.n, self.s_tt = self.n + n, total
