"""Readings that do not belong among their neighbours: marked, and figures without them.

The rule is Hampel's identifier (F. R. Hampel, "The influence curve and its role in
robust estimation", J. Am. Stat. Assoc. 69 (1974) 383; from memory): a reading is marked
when it lies further from the median of the nine readings around it than ten times
their scatter (1.4826 times the median absolute deviation) and than a floor. A step
that stays, or five odd readings in a row, is no outlier: that is what the device does.
"""

import copy
from dataclasses import fields
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.running import Running, are_frequencies
from benchlog.analysis.settling import joined, left_out, without_settling
from benchlog.analysis.stats import RunStats
from benchlog.model import Columns, Flag

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

ASIDE: Final = 4  # our rule: five odd readings in a row are what the device does
AROUND: Final = 2 * ASIDE + 1  # definition: with those on both sides
# Our rule. How often it marks clean runs of 1,000 readings, and the score that does so
# in at most 1 % of them: tests/finders/outlier_score.py (see RESULTS.md).
SCORE: Final = 10.0
FEWEST: Final = 5  # our rule: see below
"""Below so many readings nothing is marked: there is no majority to differ from."""
_MAD_TO_SD: Final = 1.4826  # definition: 1 / 0.6745, of normal scatter
_BATCH: Final = 256  # our rule: for speed alone
_SUSPECT_FLAG: Final = int(Flag.SUSPECT)  # definition: an enum's bit masks slowly
_MULTIPLE_FLAGS: Final = int(Flag.SUSPECT | Flag.FAR)  # definition: of these the first


def marked(values: Array, floor: float, score: float = SCORE) -> Mask:
    """Mark outliers; at both ends the nine nearest readings are those around.

    `floor` is in the unit of `values`; `score` is how many scatters are too many.
    """
    n = len(values)
    if n < FEWEST or np.ptp(values) <= floor:
        return np.zeros(n, dtype=np.bool_)
    size = min(n, AROUND)
    windows = np.lib.stride_tricks.sliding_window_view(values, size)
    middle = np.median(windows, axis=1)
    scatter = np.median(np.abs(windows - middle[:, None]), axis=1) * _MAD_TO_SD
    at = np.clip(np.arange(n) - ASIDE, 0, n - size)
    away = np.abs(values - middle[at])
    return np.asarray(away > np.maximum(score * scatter[at], floor))


class WithoutOutliers:
    """Running figures of what is left when outliers and suspect readings are left out.

    Constant memory; a reading is judged when four more have followed it, the last ones
    provisionally. How the readings are chunked does not matter.

    Parameters
    ----------
    nominal_hz, divider : float
        As for `Running`.
    floor_ppm : float
        What lies no further from its neighbours is never an outlier.

    """

    def __init__(self, nominal_hz: float, divider: float, floor_ppm: float) -> None:
        self._running = Running(nominal_hz, divider)
        self._floor_hz = floor_ppm * 1e-6 * nominal_hz / divider
        self._around: list[Columns] = []  # judged already; neighbours of the next
        self._held: list[Columns] = []
        self._n_held = self._n_out = 0
        self._after_settling = self._after_one = False
        self._low, self._high, self._plain, self._looked = np.inf, -np.inf, True, 0

    def feed(self, columns: Columns) -> None:
        """Take in readings in order. Raises DataError as `Running.feed` does."""
        if not len(columns):
            return
        kept, _ = without_settling(columns, self._after_settling)
        self._after_settling = bool(columns.flags[-1] & Flag.SETTLING)
        if len(kept):
            self._held.append(kept)
            self._n_held += len(kept)
        if self._n_held >= _BATCH:
            self._judge()

    def keeps_all(self, columns: Columns, following: Columns) -> bool:
        """Whether nothing is marked in the next readings; if so, they are behind it.

        What is left is all of them then, and not taken in: see `go_on_from`.
        `following` are the readings after them; too few of them tell nothing.
        """
        kept, _ = without_settling(columns, self._after_settling)
        after, _ = without_settling(_cut(following, 0, ASIDE))
        if len(kept) <= ASIDE or len(after) < ASIDE:
            return False
        start = sum(map(len, self._around))
        whole = joined([*self._around, kept, after])
        hz = whole.frequency_hz
        if np.any(whole.flags & _SUSPECT_FLAG):
            return False
        if np.ptp(hz) > self._floor_hz:
            out = marked(hz, self._floor_hz)
            if out[start : start + len(kept)].any():
                return False
        self._after_settling = bool(columns.flags[-1] & Flag.SETTLING)
        self._around = [_cut(kept, len(kept) - ASIDE - 1)]
        return True

    def go_on_from(self, everything: Running) -> None:
        """Go on from the figures of all readings before, of which none was marked."""
        self._running = everything.without_settling()
        for one in self._around:
            self._look_at(one)

    def found(self) -> tuple[int, RunStats] | None:
        """Return how many are marked and the figures without them; None without any."""
        if not self._held or (not self._n_out and self._is_plain()):
            return None
        whole, out, start = self._marked()
        n_out = self._n_out + int(np.count_nonzero(out[start:]))
        if not n_out:
            return None
        running = copy.deepcopy(self._running)
        running.feed(left_out(_cut(whole, start), out[start:], self._after_one))
        return n_out, running.stats()

    def _is_plain(self) -> bool:
        """Whether nothing held can be marked; each of the held is looked at once."""
        for one in self._held[self._looked :]:
            self._look_at(one)
        self._looked = len(self._held)
        return self._plain and self._high - self._low <= self._floor_hz

    def _look_at(self, one: Columns) -> None:
        self._low = min(self._low, float(one.frequency_hz.min()))
        self._high = max(self._high, float(one.frequency_hz.max()))
        self._plain &= not np.any(one.flags & _SUSPECT_FLAG)

    def _marked(self) -> tuple[Columns, Mask, int]:
        """Return all that is held behind its neighbours, the marks, where it starts."""
        start = sum(map(len, self._around))
        whole = joined([*self._around, *self._held])
        self._held = [_cut(whole, start)]
        self._looked = min(self._looked, 1)  # all were looked at, or none counts
        # one that is far off alone is an outlier; if most are, the device is there
        suspect = (whole.flags & _MULTIPLE_FLAGS) == _SUSPECT_FLAG
        return whole, suspect | marked(whole.frequency_hz, self._floor_hz), start

    def _judge(self) -> None:
        whole, out, start = self._marked()
        end = len(whole) - ASIDE
        judged = out[start:end]
        self._running.feed(left_out(_cut(whole, start, end), judged, self._after_one))
        self._n_out += int(np.count_nonzero(judged))
        self._after_one = bool(judged[-1])
        self._around = [_cut(whole, end - ASIDE - 1, end)]
        self._held, self._n_held = [_cut(whole, end)], ASIDE
        self._low, self._high, self._plain, self._looked = np.inf, -np.inf, True, 0
        self._look_at(self._around[0])


class WithAndWithout:
    """Figures of all readings, and of what is left without outliers, of one stream.

    While nothing is marked both are the same, and are worked out once. Until then the
    newest batch waits: the first readings of the next one tell whether all of it stays.
    From the first mark on, or when somebody asks, there are two.

    Parameters are those of `WithoutOutliers`.

    """

    def __init__(self, nominal_hz: float, divider: float, floor_ppm: float) -> None:
        self._all = Running(nominal_hz, divider)
        self._rest = WithoutOutliers(nominal_hz, divider, floor_ppm)
        self._waiting: Columns | None = None
        self._is_apart = False

    def feed(self, columns: Columns) -> None:
        """Take in readings in order. Raises DataError as `Running.feed` does."""
        if not are_frequencies(columns.frequency_hz):
            self.apart()  # which does not wait, but raises
        waiting, self._waiting = self._waiting, None
        if not self._is_apart and waiting is not None:
            if self._rest.keeps_all(waiting, columns):
                self._all.feed(waiting)
            else:
                self._part(waiting)
        if self._is_apart:
            self._all.feed(columns)
            self._rest.feed(columns)
        else:
            self._waiting = columns

    def apart(self) -> tuple[Running, WithoutOutliers]:
        """Return both, fed with all that came; they are two from now on."""
        if not self._is_apart:
            waiting, self._waiting = self._waiting, None
            self._part(waiting)
        return self._all, self._rest

    def _part(self, waiting: Columns | None) -> None:
        self._is_apart = True
        self._rest.go_on_from(self._all)
        if waiting is not None:
            self._all.feed(waiting)
            self._rest.feed(waiting)


def _cut(whole: Columns, start: int, end: int | None = None) -> Columns:
    names = [field.name for field in fields(Columns)]
    return Columns(*(getattr(whole, name)[start:end] for name in names))
