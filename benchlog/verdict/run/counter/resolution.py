"""What the last digit of a counter leaves open in the mean of its readings.

A digit is what the readings show, the step that they move in; their text often has more
digits than the counter resolves. A single reading may be half a digit off. In the mean
of many, noise averages that: where readings scatter by the digit and more, hardly
anything is left of it, and what rounding adds to their scatter is in the statistics
already. Where they do not scatter the mean may be anywhere within the digit: q^2/12
(GUM F.2.2.1). Between the two it is asked of the readings: how often each digit came
tells which noises and which places between two digits could have made that, and the
error of the mean that each of them leaves is known.

Where a counter shows fewer digits for a part of the run (another range, a key at its
front), the values of that part come again and again among others that do not. Their
own digit counts then for as much of the mean as they are.

A last digit that is cut off, and not rounded, makes the mean half a digit low; what is
left then is the same.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.distributions import normal_below
from benchlog.analysis.repeats import shown_digit, whole_steps
from benchlog.units import as_stated, three_digits
from benchlog.verdict.run.budget import BudgetLine

Array = NDArray[np.float64]
CUT: Final = "cut"
_CHANCE: Final = 1e-3  # our rule: of readings that share a grid coarser than their text
_RECUR: Final = 8  # our rule: readings for each distinct value that show a coarse digit
_AGAIN: Final = 3  # our rule: noise of many digits brings few values so often
_AGAIN_SHARE: Final = 0.02  # our rule: of a long run, likewise
_FLOATS: Final = 10.0  # our rule: digits so near those of float64 show no counter
_MOST: Final = 512  # our rule: so many distinct values show a digit, and average it
_REACH: Final = 12  # our rule: readings over more digits to each side average the digit
# s/q from no noise to a digit that is averaged wholly (at 1 its share is 1e-9)
_NOISES: Final = np.geomspace(0.01, 3.0, 40)  # our rule: steps of 16 %
# where the true mean may lie in a digit; our rule: finer than what is told of it
_PLACES: Final = (np.arange(32) + 0.5) / 32 - 0.5
_LEAST_SHARE: Final = 1e-12  # our rule: what a model of normal noise may be wrong by


@dataclass(slots=True)
class DigitCounts:
    """Feeds on readings in Hz at the counter: which values came, and how often.

    Constant memory: beyond 512 distinct values no digit is coarse beside the noise.
    """

    n: int = 0
    many: bool = False
    counts: dict[float, int] = field(default_factory=dict)
    settled: tuple[float | None, float | None] | None = field(default=None, init=False)

    def feed(self, values: Array) -> None:
        """Take in values, in any order."""
        self.n += len(values)
        if self.many:
            return
        if len(values) == 1:  # as readings come live
            value = float(values[0])
            self.counts[value] = self.counts.get(value, 0) + 1
        else:
            found, often = np.unique(values, return_counts=True)
            for value, count in zip(found.tolist(), often.tolist(), strict=True):
                self.counts[value] = self.counts.get(value, 0) + count
        self.many = len(self.counts) > _MOST

    def seen(self, text_digit_hz: float | None, *, cut: bool = False) -> "SeenDigit":
        """Return the digit that they move in and what it leaves open in their mean."""
        digit_hz = self._digit(text_digit_hz)
        if digit_hz is None or not self.counts:
            return SeenDigit(None)
        if self.many:
            return SeenDigit(digit_hz, 0.0, cut)
        seen = SeenDigit(digit_hz, digit_hz * mean_error(self.counts, digit_hz), cut)
        coarser = self._coarser_part(digit_hz, cut=cut)
        return coarser if coarser and coarser.u_hz > seen.u_hz else seen

    def _coarser_part(self, digit_hz: float, *, cut: bool) -> "SeenDigit | None":
        """Return the coarser digit of a part of the readings, if values show one."""
        least = max(_AGAIN, _AGAIN_SHARE * self.n)
        again = {one: n for one, n in self.counts.items() if n >= least}
        n = sum(again.values())
        few = 2 <= len(again) <= len(self.counts) / 2.0
        if not few or n < _RECUR * len(again):
            return None
        coarse_hz = digit_of(list(again), n, digit_hz)
        if coarse_hz is None or coarse_hz < 1.5 * digit_hz:
            return None
        share = n / self.n
        u_hz = share * coarse_hz * mean_error(again, coarse_hz)
        return SeenDigit(coarse_hz, u_hz, cut, share)

    def _digit(self, text_digit_hz: float | None) -> float | None:
        """Return `digit_of`, worked out once where values are no longer noted."""
        if self.settled is not None and self.settled[0] == text_digit_hz:
            return self.settled[1]
        digit_hz = digit_of(list(self.counts), self.n, text_digit_hz)
        if self.many:
            self.settled = text_digit_hz, digit_hz
        return digit_hz


@dataclass(frozen=True, slots=True)
class SeenDigit:
    """The digit that readings move in, Hz at the counter; None where nothing tells.

    `u_hz` is the standard uncertainty that it leaves in their mean; `cut`: what is
    below the digit is cut off, not rounded. `share` of them have that digit, the rest
    a finer one.
    """

    digit_hz: float | None
    u_hz: float = 0.0
    cut: bool = False
    share: float = 1.0

    @property
    def low_hz(self) -> float:
        """How much the mean reads low by digits that are cut off."""
        return self.share * (self.digit_hz or 0.0) / 2.0 if self.cut else 0.0


def digit_of(
    distinct: Sequence[float], n: int, text_digit_hz: float | None
) -> float | None:
    """Return the step that readings move in, at least the last digit of their text.

    Parameters
    ----------
    distinct : sequence of float
        Values that differ, Hz (several hundred are enough).
    n : int
        Readings they are of.
    text_digit_hz : float | None
        What a unit of the text's last digit is worth; None: as the numbers show.

    """
    values = np.array(sorted(set(distinct)), np.float64)
    least = text_digit_hz or min(map(shown_digit, values.tolist()), default=0.0)
    own = float(np.spacing(values[-1])) if len(values) else 0.0
    if least <= _FLOATS * own:
        return None
    steps = whole_steps(values, least)
    common = int(np.gcd.reduce(steps)) if len(steps) else 1
    if common == 1:
        return least
    by_chance = float(common) ** -len(steps)
    recurs = n >= _RECUR * (len(steps) + 1)
    return common * least if by_chance < _CHANCE or recurs else least


def mean_error(counts: Mapping[float, int], digit: float) -> float:
    """Return the standard uncertainty that rounding leaves in a mean, in digits.

    `counts` tells how often each value came. Every normal noise and every place of the
    true mean within a digit is weighed by how well it explains them; the squares of the
    errors of the mean that they leave are averaged so. Where all are alike nothing is
    taken from noise that nobody saw.
    """
    if len(counts) == 1:
        return 12**-0.5
    value = np.array(list(counts))
    often = np.array(list(counts.values()), dtype=np.float64)
    middle = value[often.argmax()]
    at = np.rint((value - middle) / digit)
    near = np.abs(at) <= _REACH  # an outlier averages nothing
    if often[near].sum() < often.sum() / 2.0:
        return 0.0
    at, often = at[near], often[near]
    if len(at) == 1:
        return 12**-0.5
    log_share, error2 = _models()
    weights = np.zeros(2 * _REACH + 1)
    np.add.at(weights, at.astype(np.int64) + _REACH, often)
    likely = np.tensordot(weights, log_share, 1)
    weight = np.exp(likely - likely.max())
    return math.sqrt(float((weight * error2).sum() / weight.sum()))


@cache
def _models() -> tuple[Array, Array]:
    """Return ln of the share of each digit, and the squared error of the mean.

    The first has the shape (digits, places, noises), the second (places, noises).
    """
    edges = np.arange(-_REACH, _REACH + 2)[:, None, None] - 0.5
    share = np.diff(normal_below((edges - _PLACES[:, None]) / _NOISES), axis=0)
    digits = np.arange(-_REACH, _REACH + 1)[:, None, None]
    mean = (digits * share).sum(axis=0)
    error2 = (mean - _PLACES[:, None]) ** 2
    return np.log(np.maximum(share, _LEAST_SHARE)), np.asarray(error2)


def digit_line(seen: SeenDigit, nominal_hz: float, divider: float) -> BudgetLine:
    """Return what the last digit leaves open in the mean, as a line of the budget."""
    if not seen.digit_hz:
        return BudgetLine(
            name="resolution",
            u_ppm=0.0,
            distribution="rectangular",
            text="resolution not known: nothing counted",
        )
    to_ppm = divider / nominal_hz * 1e6
    text = f"last digit {as_stated(seen.digit_hz)} Hz at the counter"
    if seen.share < 1.0:
        text += f" in {seen.share:.0%} of the readings, finer in the rest"
    if seen.u_hz < 0.5 * seen.digit_hz / math.sqrt(12.0):
        text += ", averaged by the scatter of the readings"
    if seen.cut:
        text += f", cut off: {three_digits(seen.low_hz * to_ppm)} ppm added"
    return BudgetLine(
        name="resolution",
        u_ppm=seen.u_hz * to_ppm,
        distribution="rectangular",
        text=text,
    )
