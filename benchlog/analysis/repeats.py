"""Whether a counter repeats its last value instead of measuring anew; constant memory.

Two neighbours may be alike by chance: where the last digit is coarse beside the noise
they nearly always are. So the noise that the readings show tells how often neighbours
are alike by chance, and where all are alike, the least noise that such a source has.
More than that, beyond chance, is a counter that repeats itself.

Where it holds a value soon after it began, few values show its noise. Whatever that is,
it would make them differ as they do and the rest alike too seldom.

A drift or a passing warmth must not be taken for noise. The noise is therefore taken
from second differences of the values that differ.
"""

import math
from collections.abc import Sequence
from decimal import Decimal
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.distributions import binomial_at_least

Array = NDArray[np.float64]
CHANCE: Final = 1e-4
"""A counter is suspected where chance does it less often; our rule."""
_CHANGES: Final = 8  # our rule: fewer differences tell no noise
_KEPT: Final = 512  # our rule: a median of so many is known to a few percent
_COARSE: Final = 3.0
"""Our rule: below this ratio of noise to digit neighbours are too often alike to
tell."""
_FEWEST: Final = (
    4  # our rule: values one after the other, that is two second differences
)
_FAR: Final = 6.0  # our rule, digits: nearer second differences rounding alone may make
_NOISES: Final = np.geomspace(0.3, 1e4, 60)  # our rule: digits, in steps of 20 %
_NEAR: Final = 0.02  # our rule, of a digit: how float64 and a period's 1/f hold a step
_WHOLE: Final = 1e12  # our rule: more digits apart float64 does not count them
_SECOND: Final = math.sqrt(6.0)  # derived: sd of a second difference of white values
_MEDIAN: Final = 0.6745  # definition: median of |x|, in standard deviations


class Repeats:
    """Feeds on readings in order, tells when a counter repeats itself.

    Parameters
    ----------
    least : float
        The least standard deviation from reading to reading that the source has, in
        the unit of the readings.

    `digit` may be set to the counter's last digit where that is known.
    """

    def __init__(self, least: float) -> None:
        self._least = least
        self.digit = 0.0
        self._last: float | None = None
        self._n = self._runs = self._repeated = 0
        self._alike = self._longest = 1
        self._distinct: list[float] = []
        self._worked_out: tuple[int, float | None, float] | None = None

    def feed(self, values: Array) -> None:
        """Take in values in order."""
        if not len(values):
            return
        first, last = float(values[0]), self._last
        self._n += len(values)
        self._last = float(values[-1])
        if first == last:
            self._alike += 1
        else:
            if last is not None:
                self._note_run(self._alike)
            self._alike = 1
            self._note_distinct(values[:1])
        if len(values) > 1:
            self._feed_rest(values)
        self._longest = max(self._longest, self._alike)

    def _feed_rest(self, values: Array) -> None:
        """Take in what follows the first of several values."""
        at = np.flatnonzero(values[1:] != values[:-1]) + 1
        if not len(at):
            self._alike += len(values) - 1
            return
        self._note_distinct(values[at])
        self._note_run(self._alike + int(at[0]) - 1)
        lengths = np.diff(at)
        if len(lengths):
            self._runs += len(lengths)
            self._repeated += int(np.count_nonzero(lengths > 1))
            self._longest = max(self._longest, int(lengths.max()))
        self._alike = len(values) - int(at[-1])

    def _note_run(self, length: int) -> None:
        self._runs += 1
        self._repeated += length > 1
        self._longest = max(self._longest, length)

    def _note_distinct(self, values: Array) -> None:
        room = _KEPT - len(self._distinct)
        if not room:
            return
        self._distinct += values[:room].tolist()

    def found(self) -> int:
        """Return how often in a row the same value came, 0 where chance may do it."""
        if self._longest < 2:
            return 0
        noise, step = self._shown_noise()
        if noise is None:
            alike = _alike_at_most(max(self.digit, self._shown()), self._least)
            beyond = (self._longest - 1) * math.log(max(alike, 1e-300))
            suspect = beyond + math.log(self._n) < math.log(CHANCE)
            suspect = suspect or self._held_early()
        else:
            digit = max(self.digit, step)
            suspect = noise >= _COARSE * digit and self._too_often(noise, digit)
        return self._longest if suspect else 0

    def _shown_noise(self) -> tuple[float | None, float]:
        """Return the noise of values that differ and the least step between them.

        The noise is None where too few differ. Worked out anew when others came.
        """
        known = len(self._distinct)
        if self._worked_out is None or self._worked_out[0] != known:
            self._worked_out = known, _noise(self._distinct), self._step()
        return self._worked_out[1:]

    def _held_early(self) -> bool:
        """Whether few values that differ far are followed by too many that are alike.

        Of each noise that the counter may have, how likely it is to make second
        differences as large as the least one seen, and then so many values alike.
        """
        if self._repeated or len(self._distinct) < _FEWEST:
            return False
        values = np.array(self._distinct)
        least = self.digit or self._shown()
        steps = whole_steps(np.sort(values), least) if least else np.empty(0)
        if not len(steps):
            return False
        digit = least * int(np.gcd.reduce(steps))
        second = float(np.abs(np.diff(values, n=2)).min()) / digit
        one_way = np.ptp(np.sign(np.diff(values))) == 0  # a warmth that passes
        if second < _FAR or one_way:
            return False
        apart = [math.erfc(second / (math.sqrt(2.0) * _SECOND * s)) for s in _NOISES]
        alike = [_alike_at_most(1.0, s * math.sqrt(2.0)) for s in _NOISES]
        chance = np.array(apart) ** (len(values) - 2)
        chance *= np.array(alike) ** (self._alike - 1)
        return float(chance.max()) < CHANCE

    def _shown(self) -> float:
        """Return the place of the last digit of the value that shows most."""
        return min(map(shown_digit, self._distinct), default=math.inf)

    def _step(self) -> float:
        """Return the least distance of values that differ: the digit, or a bit more."""
        apart = np.diff(sorted(set(self._distinct)))
        return float(apart.min()) if len(apart) else self._shown()

    def _too_often(self, noise: float, digit: float) -> bool:
        """Whether more values came more than once, or one longer, than by chance."""
        runs = self._runs + 1
        repeated = self._repeated + (self._alike > 1)
        alike = _alike_at_most(digit, noise * math.sqrt(2.0))
        often = binomial_at_least(repeated, runs, alike)
        long = runs * alike ** (self._longest - 1) if self._longest > 1 else 1.0
        return min(often, long) < CHANCE


def _noise(distinct: Sequence[float]) -> float | None:
    if len(distinct) < _CHANGES:
        return None
    second = np.abs(np.diff(distinct, n=2))
    return float(np.median(second)) / _MEDIAN / _SECOND


def _alike_at_most(digit: float, deviation: float) -> float:
    """Return at most how probable it is that a value falls on a given digit."""
    if deviation <= 0:
        return 1.0
    return math.erf(digit / (2.0 * math.sqrt(2.0) * deviation))


def shown_digit(value: float) -> float:
    """Return the place of the last digit that a value shows: 0.1 for 15999884.1."""
    text = repr(value)
    behind = text.partition(".")[2]
    if behind.isdecimal() and behind != "0":  # Python writes no zeros at the end
        return float(10.0 ** -len(behind))
    exponent = Decimal(text).normalize().as_tuple().exponent
    return float(10.0 ** int(exponent)) if isinstance(exponent, int) else 0.0


def whole_steps(values: Array, least: float) -> NDArray[np.int64]:
    """Return steps between sorted values in units of `least`; empty if not whole."""
    steps = np.diff(values) / least
    steps = steps[steps > 0.5]
    whole = np.rint(steps)
    if not len(steps) or steps.max() > _WHOLE:
        return np.empty(0, np.int64)
    if np.any(np.abs(steps - whole) > _NEAR * np.maximum(1.0, whole)):
        return np.empty(0, np.int64)
    return whole.astype(np.int64)
