"""A run's readings thinned for a picture: no spike and no gap is lost.

Short runs are drawn reading by reading. Long ones are cut into equal stretches of time,
each with its lowest, mean and highest reading.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.model import Columns, Flag, Run
from benchlog.units import NS_PER_S

Array = NDArray[np.float64]
# MOST, STRETCHES, BLOCKS: our rule: more than a picture has columns; time.
MOST: Final = 2_000
"""Readings beyond which a run is drawn in stretches."""
STRETCHES: Final = 1_000
BLOCKS: Final = 2_000
"""Means that laws of temperature are fitted to, at most."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ThinnedRun:
    """What is drawn of a run; arrays of equal length, offsets in ppm, corrected.

    `low_ppm` and `high_ppm` are `mean_ppm` itself where each reading is drawn.
    `gaps` are (n, 2) begin and end in s; `t_s` counts from the first reading.
    """

    t_s: Array
    low_ppm: Array
    mean_ppm: Array
    high_ppm: Array
    ambient_c: Array
    gaps_s: Array
    readings: int

    @property
    def thinned(self) -> bool:
        """Whether each point stands for many readings."""
        return self.readings > len(self.t_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """A run's readings as they are drawn: time s, offset ppm, ambient C, shape (n,).

    `first_utc_ns` is the time stamp of the first, -1 where it has none.
    """

    t_s: Array
    ppm: Array
    ambient_c: Array
    gaps_s: Array
    first_utc_ns: int = -1


class ReadingCourse:
    """Takes in a run's readings in chunks; keeps 24 octets of each, as arrays.

    Time is in seconds since the first reading, never falling; across segments by UTC.
    """

    def __init__(self) -> None:
        self._first_mono_ns, self._first_utc_ns = 0, -1
        self._segment = -1
        self._shift_s = self._last_s = self._highest_s = 0.0
        self._gaps: list[Array] = []
        # of octets: they grow in place, where arrays would be copied
        self._t_s, self._hertz, self._ambient_c = bytearray(), bytearray(), bytearray()

    def feed(self, columns: Columns) -> None:
        """Take in what comes next."""
        if not len(columns):
            return
        is_first = not self._t_s
        if is_first:
            self._first_mono_ns = int(columns.mono_ns[0])
            self._first_utc_ns = int(columns.utc_ns[0])
            self._segment = int(columns.segment[0])
        before = np.append(self._segment, columns.segment[:-1])
        turned: NDArray[np.bool_] = columns.segment != before
        t_s = self._elapsed_s(columns, np.flatnonzero(turned))
        rising: Array = np.maximum.accumulate(np.append(self._highest_s, t_s))
        marked = turned | ((columns.flags & Flag.GAP_BEFORE) != 0)
        marked[0] &= not is_first
        at = np.flatnonzero(marked)
        ends = np.maximum(rising[at + 1] - columns.gate_s[at], rising[at])
        self._gaps.append(np.column_stack([rising[at], ends]))
        self._t_s += rising[1:].tobytes()
        self._hertz += columns.frequency_hz.tobytes()
        self._ambient_c += columns.ambient_c.tobytes()
        self._segment = int(columns.segment[-1])
        self._last_s, self._highest_s = float(t_s[-1]), float(rising[-1])

    def _elapsed_s(self, columns: Columns, turns: NDArray[np.int64]) -> Array:
        t_s: Array = (columns.mono_ns - self._first_mono_ns) / NS_PER_S
        t_s += self._shift_s
        for begin in turns:
            here_ns = int(columns.utc_ns[begin])
            if self._first_utc_ns >= 0 and here_ns >= 0:
                wanted_s = (here_ns - self._first_utc_ns) / NS_PER_S
            else:
                last_s = float(t_s[begin - 1]) if begin else self._last_s
                wanted_s = last_s + float(columns.gate_s[begin])
            shift_s = wanted_s - float(t_s[begin])
            t_s[begin:] += shift_s
            self._shift_s += shift_s
        return t_s

    def measured(self, run: Run, timebase_ppm: float) -> Measured:
        """Return all readings so far, corrected for the time base."""
        nominal_hz = run.nominal_hz / run.divider
        ppm = (np.frombuffer(self._hertz) - nominal_hz) * (1e6 / nominal_hz)
        if timebase_ppm:  # f_true = f_read (1 + y_timebase)
            ppm *= 1.0 + timebase_ppm * 1e-6
            ppm += timebase_ppm
        return Measured(
            t_s=np.frombuffer(self._t_s),
            ppm=ppm,
            ambient_c=np.frombuffer(self._ambient_c),
            gaps_s=np.concatenate(self._gaps) if self._gaps else np.empty((0, 2)),
            first_utc_ns=self._first_utc_ns,
        )


def measured(columns: Columns, run: Run, timebase_ppm: float) -> Measured:
    """Return elapsed time and offset, corrected for the time base, of each reading."""
    course = ReadingCourse()
    course.feed(columns)
    return course.measured(run, timebase_ppm)


def trace_of(run: Measured) -> ThinnedRun:
    """Thin a run for a picture."""
    n = len(run.t_s)
    if n <= MOST:
        return ThinnedRun(
            t_s=run.t_s,
            low_ppm=run.ppm,
            mean_ppm=run.ppm,
            high_ppm=run.ppm,
            ambient_c=run.ambient_c,
            gaps_s=run.gaps_s,
            readings=n,
        )
    starts, counts = _stretches(run.t_s, STRETCHES)
    mean = np.add.reduceat(run.ppm, starts) / counts
    return ThinnedRun(
        t_s=np.add.reduceat(run.t_s, starts) / counts,
        low_ppm=np.minimum.reduceat(run.ppm, starts),
        mean_ppm=mean,
        high_ppm=np.maximum.reduceat(run.ppm, starts),
        ambient_c=_known_means(run.ambient_c, starts),
        gaps_s=run.gaps_s,
        readings=n,
    )


def broken_at_gaps(trace: ThinnedRun) -> ThinnedRun:
    """Return the trace with an empty point in each gap, so that no line crosses it.

    A gap within a stretch of a thinned trace has no place of its own.
    """
    middles: Array = trace.gaps_s.mean(axis=1)
    at = np.searchsorted(trace.t_s, middles)

    def broken(values: Array) -> Array:
        return np.insert(values, at, np.nan)

    return ThinnedRun(
        t_s=np.insert(trace.t_s, at, middles),
        low_ppm=broken(trace.low_ppm),
        mean_ppm=broken(trace.mean_ppm),
        high_ppm=broken(trace.high_ppm),
        ambient_c=broken(trace.ambient_c),
        gaps_s=trace.gaps_s,
        readings=trace.readings,
    )


def averaged(run: Measured) -> tuple[Array, Array, Array]:
    """Return time, ambient and offset as at most 2,000 means over stretches of time.

    Only readings with known ambient count.
    """
    t_s, ambient, ppm = run.t_s, run.ambient_c, run.ppm
    known = np.isfinite(ambient)
    if not known.all():
        t_s, ambient, ppm = t_s[known], ambient[known], ppm[known]
    if len(t_s) <= BLOCKS:
        return t_s, ambient, ppm
    starts, counts = _stretches(t_s, BLOCKS)
    t, c, y = (np.add.reduceat(x, starts) / counts for x in (t_s, ambient, ppm))
    return t, c, y


def _stretches(t_s: Array, wanted: int) -> tuple[NDArray[np.int64], Array]:
    """Return where each stretch that holds readings begins, and how many it holds."""
    edges = np.linspace(t_s[0], t_s[-1], wanted + 1)[:-1]
    starts = np.unique(np.searchsorted(t_s, edges))
    counts = np.diff(np.append(starts, len(t_s))).astype(np.float64)
    return starts, counts


def _known_means(values: Array, starts: NDArray[np.int64]) -> Array:
    known = np.isfinite(values)
    counts = np.add.reduceat(known.astype(np.float64), starts)
    sums = np.add.reduceat(np.where(known, values, 0.0), starts)
    means = np.full(len(sums), np.nan)
    np.divide(sums, counts, out=means, where=counts > 0)
    return means
