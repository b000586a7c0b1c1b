"""The trace behind the chart: bounded memory, no spike lost, gaps kept.

Readings are put on one time axis (seconds since the run began) and held twice: all of
them as the lowest and highest value per time bin, and the newest ones as they are. When
the bins run out they are merged in pairs, so the cost is the same for a minute and for
a month.
"""

from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.model import Columns, Flag, Run
from benchlog.store.rows import Outline
from benchlog.units import NS_PER_S

BINS: Final = 4096
"""Time bins of the whole run; a power of two, so that pairs always merge evenly."""
NEWEST: Final = 4096
"""How many of the newest readings are kept one by one."""
_FIRST_BIN_S: Final = 1e-3


@dataclass(frozen=True, slots=True)
class Spans:
    """Decimated readings in time order, arrays of equal length.

    `t_s` is seconds since the run began, `low_ppm` and `high_ppm` the extremes there;
    `broken` says that what stands here is not contiguous with what is before it.
    """

    t_s: NDArray[np.float64]
    low_ppm: NDArray[np.float64]
    high_ppm: NDArray[np.float64]
    broken: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.t_s)

    def within(self, begin_s: float, end_s: float) -> "Spans":
        """Return what lies from `begin_s` to `end_s`, both included."""
        first = int(np.searchsorted(self.t_s, begin_s, "left"))
        last = int(np.searchsorted(self.t_s, end_s, "right"))
        cut = slice(first, last)
        return Spans(
            self.t_s[cut], self.low_ppm[cut], self.high_ppm[cut], self.broken[cut]
        )

    def corrected(self, timebase_ppm: float) -> "Spans":
        """Return the offsets as they are when the time base is `timebase_ppm` fast.

        Both are fractions of the same nominal: (1 + y)(1 + y_timebase) - 1.
        """
        factor = 1.0 + timebase_ppm * 1e-6
        return Spans(
            self.t_s,
            self.low_ppm * factor + timebase_ppm,
            self.high_ppm * factor + timebase_ppm,
            self.broken,
        )


EMPTY: Final = Spans(np.empty(0), np.empty(0), np.empty(0), np.empty(0, np.bool_))


class Timeline:
    """Puts readings of all segments on one axis: seconds since the run began.

    Within a segment the bench's monotonic time counts, so a stepped wall clock moves
    nothing; a new segment starts where UTC says, but not before what is there.
    """

    def __init__(self, started_utc_ns: int) -> None:
        self._started_utc_ns = started_utc_ns
        self._segment = -1
        self._segments = 0
        self._base_s = 0.0
        self._mono0_ns = 0
        self.end_s = 0.0

    def place(self, columns: Columns) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
        """Return each reading's time in s and whether it is not contiguous."""
        t_s = np.empty(len(columns))
        broken = (columns.flags & int(Flag.GAP_BEFORE)) != 0
        cuts = np.flatnonzero(np.diff(columns.segment)) + 1
        for first, last in _pieces(cuts, len(columns)):
            if columns.segment[first] != self._segment:
                self._begin(columns, first)
                broken[first] = True
            since_ns = columns.mono_ns[first:last] - self._mono0_ns
            t_s[first:last] = self._base_s + since_ns / NS_PER_S
            self.end_s = max(self.end_s, float(t_s[last - 1]))
        return t_s, broken

    def at_s(self, utc_ns: int, mono_ns: int) -> float:
        """Return where an event belongs on the axis.

        By monotonic time where there is one segment; events do not say which is theirs.
        """
        if self._segments == 1:
            return self._base_s + (mono_ns - self._mono0_ns) / NS_PER_S
        return self._since_start_s(utc_ns)

    def _since_start_s(self, utc_ns: int) -> float:
        return (utc_ns - self._started_utc_ns) / NS_PER_S

    def _begin(self, columns: Columns, at: int) -> None:
        utc_ns = int(columns.utc_ns[at])
        said_s = self._since_start_s(utc_ns) if utc_ns >= 0 else 0.0
        self._base_s = max(said_s, self.end_s)
        self._segment = int(columns.segment[at])
        self._segments += 1
        self._mono0_ns = int(columns.mono_ns[at])


class Bins:
    """The lowest and highest value per time bin; doubles its bin when full."""

    def __init__(self, count: int = BINS, bin_s: float = _FIRST_BIN_S) -> None:
        self._low = np.full(count, np.inf)
        self._high = np.full(count, -np.inf)
        self._broken = np.zeros(count, np.bool_)
        self._count = count
        self.bin_s = bin_s

    def add(
        self,
        t_s: NDArray[np.float64],
        low_ppm: NDArray[np.float64],
        high_ppm: NDArray[np.float64],
        broken: NDArray[np.bool_],
    ) -> None:
        """Take in values at times that do not go back."""
        if not len(t_s):
            return
        while t_s[-1] >= self._count * self.bin_s:
            self._merge()
        index = np.maximum(t_s / self.bin_s, 0.0).astype(np.int64)
        starts = np.concatenate(([0], np.flatnonzero(np.diff(index)) + 1))
        at = index[starts]
        lowest = np.minimum.reduceat(low_ppm, starts)
        highest = np.maximum.reduceat(high_ppm, starts)
        self._low[at] = np.minimum(self._low[at], lowest)
        self._high[at] = np.maximum(self._high[at], highest)
        self._broken[at] |= np.logical_or.reduceat(broken, starts)

    def spans(self) -> Spans:
        """Return the bins that hold something, at their middle times."""
        filled = np.flatnonzero(np.isfinite(self._low))
        middle_s = (filled.astype(np.float64) + 0.5) * self.bin_s
        return Spans(
            middle_s,
            self._low[filled],
            self._high[filled],
            self._broken[filled],
        )

    def _merge(self) -> None:
        half = self._count // 2
        for values, empty, join in (
            (self._low, np.inf, np.minimum),
            (self._high, -np.inf, np.maximum),
            (self._broken, False, np.logical_or),
        ):
            values[:half] = join(values[0::2], values[1::2])
            values[half:] = empty
        self.bin_s *= 2


class Trace:
    """A run's offset against time, raw (before the time base is corrected for)."""

    def __init__(self, started_utc_ns: int, nominal_hz: float, divider: float) -> None:
        self._nominal_hz, self._divider = nominal_hz, divider
        self._bins = Bins()
        self._newest = EMPTY
        self.timeline = Timeline(started_utc_ns)

    @property
    def end_s(self) -> float:
        """Where the newest reading lies, in s since the run began."""
        return self.timeline.end_s

    def feed(self, columns: Columns) -> None:
        """Take in readings that follow those before."""
        if not len(columns):
            return
        t_s, broken = self.timeline.place(columns)
        ppm = _ppm(columns.frequency_hz, self._nominal_hz, self._divider)
        self._bins.add(t_s, ppm, ppm, broken)
        old, keep = self._newest, slice(-NEWEST, None)
        values = np.concatenate((old.low_ppm, ppm))[keep]
        self._newest = Spans(
            np.concatenate((old.t_s, t_s))[keep],
            values,
            values,
            np.concatenate((old.broken, broken))[keep],
        )

    def spans(self, begin_s: float, end_s: float) -> Spans:
        """Return what a chart from `begin_s` to `end_s` needs."""
        newest = self._newest
        if (len(newest) and newest.t_s[0] <= begin_s) or len(newest) < NEWEST:
            return newest.within(begin_s, end_s)
        # half a bin more on either side: a bin stands at its middle
        slack_s = self._bins.bin_s / 2
        return self._bins.spans().within(begin_s - slack_s, end_s + slack_s)


def preview(outline: Outline, run: Run) -> Spans:
    """Return a run's trace as its outline has it: at once, but gaps only roughly.

    Each block of readings stands as its extremes, from its first reading to its last.
    """
    if not len(outline):
        return EMPTY
    timed = bool((outline.t0_utc_ns >= 0).all())
    first = outline.t0_utc_ns if timed else outline.t0_mono_ns
    last = outline.t1_utc_ns if timed else outline.t1_mono_ns
    begin_ns = min(run.started_utc_ns, int(first[0])) if timed else int(first[0])
    t_s = np.stack((first, last), axis=1).ravel() - begin_ns
    low_ppm = _ppm(np.repeat(outline.min_hz, 2), run.nominal_hz, run.divider)
    high_ppm = _ppm(np.repeat(outline.max_hz, 2), run.nominal_hz, run.divider)
    broken = np.repeat((outline.flags & int(Flag.GAP_BEFORE)) != 0, 2)
    broken[1::2] = False
    return Spans(np.maximum.accumulate(t_s / NS_PER_S), low_ppm, high_ppm, broken)


def _ppm(
    frequency_hz: NDArray[np.float64], nominal_hz: float, divider: float
) -> NDArray[np.float64]:
    return (frequency_hz * divider - nominal_hz) / nominal_hz * 1e6


def _pieces(cuts: NDArray[np.int64], count: int) -> list[tuple[int, int]]:
    edges = [0, *(int(cut) for cut in cuts), count]
    return [(a, b) for a, b in pairwise(edges) if b > a]
