"""Stability over the time of a run: the deviation in a window that moves along.

Source (from memory): L. Galleani, P. Tavella, "The dynamic Allan variance", IEEE Trans.
UFFC 56 (2009) 450. Whether it changed is decided in windows that do not overlap.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.arrays import BLOCK, all_finite
from benchlog.analysis.series import Series, frequency_of
from benchlog.analysis.stability.changes import StabilityChange, changes_of
from benchlog.analysis.stability.deviations import DeviationRequest
from benchlog.analysis.stability.difference_sums import gapped_differences
from benchlog.analysis.stability.estimation import noises_of
from benchlog.analysis.stability.freedom import (
    Differences,
    blended_freedom,
    interval,
)
from benchlog.errors import DataError
from benchlog.units import as_stated

Array = NDArray[np.float64]

KINDS: Final = ("adev", "hdev")
"""Deviations that are followed over time."""
_SHARE: Final = 12  # our rule: a window is a twelfth of the run
_FEWEST: Final = 32  # our rule: readings of a window, for five averaging times
_SEVERAL: Final = 4  # our rule: windows that do not overlap, at least
_COLUMNS: Final = (
    56  # our rule: windows of a picture, as many as a terminal has room for
)
_LEAST_EDF: Final = 3.0  # our rule: with less, a window shows chance


@dataclass(frozen=True, slots=True, kw_only=True)
class StabilityOverTime:
    """A deviation against averaging time and time.

    Parameters
    ----------
    t_s : array, shape (W,)
        The middles of the windows, from the first reading on.
    tau_s : array, shape (K,)
        Averaging times.
    values, low, high : array, shape (K, W)
        The deviation in each window and its 95 % interval; NaN where less than half of
        the differences are there.
    window_s : float
        How long a window is.
    changes : tuple of StabilityChange
        What changed more than chance would have it, the clearest first.

    """

    kind: str
    tau0_s: float
    window_s: float
    t_s: Array
    tau_s: Array
    values: Array
    low: Array
    high: Array
    changes: tuple[StabilityChange, ...]


def stability_over_time(
    series: Series, kind: str = "adev", window_s: float | None = None
) -> StabilityOverTime:
    """Return the deviation in windows along the data.

    `window_s` None: a twelfth of the run. Raises DataError for another kind, and where
    fewer than four windows with 32 values each fit in.
    """
    if kind not in KINDS:
        raise DataError(f"{kind} is not followed over time; {' or '.join(KINDS)} is")
    y = frequency_of(series)
    size = _window(len(y), series.tau0_s, window_s)
    whole = DeviationRequest()
    noises = {
        m: 0.0 if one.cautious is None else one.cautious
        for m, one in noises_of(series, whole).items()
    }
    order = KINDS.index(kind) + 2
    factors = [
        m
        for m, alpha in noises.items()
        if size > order * m
        and _freedom(order, m, size - order * m + 1, alpha) >= _LEAST_EDF
    ]
    starts = np.unique(np.linspace(0, len(y) - size, _COLUMNS).astype(np.int64))
    apart = np.arange(len(y) // size) * size
    work = _Windows(y, order, size)
    both = [work.variances(m, np.append(starts, apart)) for m in factors]
    picture = [(one[: len(starts)], n[: len(starts)]) for one, n in both]
    tested = [(one[len(starts) :], n[len(starts) :]) for one, n in both]
    alphas = [noises[m] for m in factors]
    values = np.sqrt(np.array([variances for variances, _ in picture]))
    low, high = np.full_like(values, np.nan), np.full_like(values, np.nan)
    for k, (m, (_, pairs)) in enumerate(zip(factors, picture, strict=True)):
        for w in np.flatnonzero(values[k] > 0):
            edf = _freedom(order, m, int(pairs[w]), alphas[k])
            low[k, w], high[k, w] = interval(float(values[k, w]), edf)
    freedoms = np.array(
        [
            [_freedom(order, m, int(n), alpha) for n in pairs]
            for m, alpha, (_, pairs) in zip(factors, alphas, tested, strict=True)
        ]
    )
    tau0_s = series.tau0_s
    return StabilityOverTime(
        kind=kind,
        tau0_s=tau0_s,
        window_s=size * tau0_s,
        t_s=np.asarray((starts + size / 2.0) * tau0_s, dtype=np.float64),
        tau_s=np.array(factors) * tau0_s,
        values=values,
        low=low,
        high=high,
        changes=changes_of(
            np.array([variances for variances, _ in tested]),
            freedoms,
            np.array(factors) * tau0_s,
            np.append(apart, apart[-1] + size) * tau0_s,
        ),
    )


def _window(count: int, tau0_s: float, window_s: float | None) -> int:
    """Return how many values a window has."""
    size = count // _SHARE if window_s is None else round(window_s / tau0_s)
    if window_s is None:
        size = max(size, _FEWEST)
    if size < _FEWEST:
        raise DataError(
            f"a window of {size} readings is too short; {_FEWEST} are needed, "
            f"{as_stated(_FEWEST * tau0_s, 4)} s"
        )
    if count < _SEVERAL * size:
        raise DataError(
            f"{count:,} readings are less than {_SEVERAL} windows of {size:,}: too few "
            "to tell of a change over time"
        )
    return size


def _freedom(order: int, m: int, pairs: int, alpha: float) -> float:
    if pairs < 1:
        return 0.0
    return blended_freedom(Differences(order=order, m=m, pairs=pairs), alpha)


class _Windows:
    """Frequencies whose squared differences are summed over windows.

    As elsewhere, an average counts where at least half of its values are there. Kept
    are the running sum, and where values are missing their running count; all else is
    worked out in blocks.
    """

    def __init__(self, y: Array, order: int, size: int) -> None:
        there = None if all_finite(y) else ~np.isnan(y)
        self._total = np.empty(len(y) + 1)
        self._total[0] = 0.0
        centred = self._total[1:]
        np.subtract(y, np.mean(y if there is None else y[there]), out=centred)
        self._count: NDArray[np.int64] | None = None
        if there is not None:
            centred[~there] = 0.0
            self._count = np.concatenate(([0], np.cumsum(there)))
        np.cumsum(centred, out=centred)
        self._order, self._size = order, size

    def variances(
        self, m: int, starts: NDArray[np.int64]
    ) -> tuple[Array, NDArray[np.int64]]:
        """Return the variance in the window at each start, and its pairs.

        NaN where less than half of the pairs are there, or none scatters.
        """
        most = self._size - self._order * m + 1
        ends = np.concatenate([starts, starts + most])
        squares, pairs = self._sums_before(m, ends)
        summed = squares[len(starts) :] - squares[: len(starts)]
        there = pairs[len(starts) :] - pairs[: len(starts)]
        divisor = 2.0 if self._order == 2 else 6.0
        variance = summed / np.maximum(there, 1) / divisor
        usable = (2 * there >= most) & (variance > 0)
        return np.where(usable, variance, np.nan), np.where(usable, there, 0)

    def _sums_before(
        self, m: int, ends: NDArray[np.int64]
    ) -> tuple[Array, NDArray[np.int64]]:
        """Return the sum of all squared differences before each place, and how many."""
        in_order = np.argsort(ends)
        places = ends[in_order]
        squares, pairs = np.zeros(len(ends)), np.zeros(len(ends), np.int64)
        square, pair = 0.0, 0
        for begin in range(0, int(places[-1]), BLOCK):
            end = min(begin + BLOCK, int(places[-1]))
            found, known = self._differences(m, begin, end)
            running = np.cumsum(np.append(square, found * found))
            counted = np.cumsum(np.append(pair, known))
            asked = slice(*np.searchsorted(places, [begin, end + 1]))
            squares[in_order[asked]] = running[places[asked] - begin]
            pairs[in_order[asked]] = counted[places[asked] - begin]
            square, pair = running[-1], counted[-1]
        return squares, pairs

    def _differences(
        self, m: int, begin: int, end: int
    ) -> tuple[Array, NDArray[np.bool_]]:
        """Return differences of averages over m values, 0 where one is not known.

        Each average is worked out once. Where a block is shorter than what it reaches
        over, only those that it asks for are: else each of n / BLOCK blocks would go
        through m values, and m grows with n.
        """
        if self._order * m <= BLOCK:
            reach = slice(begin, end + self._order * m)
            count = None if self._count is None else self._count[reach]
            found, known = gapped_differences(self._total[reach], count, m, self._order)
            return np.where(known, found, 0.0), known
        at = range(begin, begin + self._order * m, m)
        each = [self._averages(m, first, first + end - begin) for first in at]
        known = np.logical_and.reduce([there for _, there in each])
        found = np.diff([average for average, _ in each], n=self._order - 1, axis=0)[0]
        return np.where(known, found, 0.0), known

    def _averages(
        self, m: int, begin: int, end: int
    ) -> tuple[Array, NDArray[np.bool_]]:
        """Return averages over m values from each place on, and which count."""
        total, count = self._total, self._count
        here, there = slice(begin, end), slice(begin + m, end + m)
        found = np.full(end - begin, m) if count is None else count[there] - count[here]
        return (total[there] - total[here]) / np.maximum(found, 1), 2 * found >= m
