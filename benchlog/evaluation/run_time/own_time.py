"""Readings and events of a run in its own time, for who goes through them in pieces.

Where the wall clock was set between two segments the judge would take the time between
them from it: drift and holes of days in a run of a minute. So it is where it was set
within the segment before. Nothing stored is altered.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from benchlog.evaluation.run_time.steady_time import (
    STEP_NS,
    SteadyTime,
    segmented_events,
)
from benchlog.model import Columns, Event, Frequencies, Run
from benchlog.store.reader import Reader
from benchlog.verdict.run.judges import AnyJudge
from benchlog.verdict.run.reading_judge import RunJudge

_Moment = tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]


def in_own_time(reader: Reader, run: Run, found: Frequencies) -> Frequencies:
    """Return frequencies whose breaks between two segments last as long as they did."""
    breaks = found.breaks
    if not breaks.turned.any() or (breaks.utc_ns < 0).any():
        return found
    clock = SteadyTime(segmented_events(reader, run))
    even_ns = clock.of(breaks.segment, breaks.utc_ns, breaks.mono_ns)
    return replace(found, breaks=replace(breaks, utc_ns=even_ns))


def by_clock(clock: SteadyTime, columns: Columns) -> Columns:
    """Return readings with the times of a clock that goes on evenly."""
    if not np.all(columns.utc_ns >= 0):
        return columns
    even = clock.of(columns.segment, columns.utc_ns, columns.mono_ns)
    return replace(columns, utc_ns=even)


class OwnTime:
    """The own time of one run; learnt when another segment begins.

    `steadily`: from the first reading on, and again where the wall clock was stepped or
    the computer slept, for who goes by the time of each reading.
    """

    def __init__(self, *, steadily: bool = False) -> None:
        self._steadily = steadily
        self._clock: SteadyTime | None = None
        self._segment: int | None = None
        self._last: _Moment | None = None
        self._offset_ns = 0  # wall clock less monotonic one, when it was learnt

    def learn(
        self, reader: Reader, run: Run, columns: Columns, judge: AnyJudge
    ) -> None:
        """Look at the segments of readings that come next, and tell the judge."""
        if not len(columns) or not isinstance(judge, RunJudge):
            return
        first = int(columns.segment[0]) if self._segment is None else self._segment
        self._segment = int(columns.segment[-1])
        if self._segment != first or (self._steadily and self._is_stepped(columns)):
            self._clock = SteadyTime(segmented_events(reader, run))
            judge.segment_shifts_ns = self._clock.shifts_ns

    def _is_stepped(self, columns: Columns) -> bool:
        """Whether UTC goes otherwise than when it was learnt; it is, at first."""
        if columns.utc_ns[-1] < 0:  # an import without time stamps
            return False
        before_ns, anew = self._offset_ns, self._clock is None
        self._offset_ns = int(columns.utc_ns[-1]) - int(columns.mono_ns[-1])
        return anew or abs(self._offset_ns - before_ns) >= STEP_NS

    def of_readings(self, columns: Columns) -> tuple[Columns, int | None]:
        """Return readings in the run's own time, and by it that of the one before them.

        UTC in ns; None where that is as it was told.
        """
        if not len(columns):
            return columns, None
        before, clock = self._last, self._clock
        rows = columns.segment, columns.utc_ns, columns.mono_ns
        self._last = rows[0][-1:], rows[1][-1:], rows[2][-1:]
        if clock is None or not np.all(columns.utc_ns >= 0):
            return columns, None
        at_ns = None if before is None else int(clock.of(*before)[0])
        return replace(columns, utc_ns=clock.of(*rows)), at_ns

    def of_events(self, reader: Reader, run: Run) -> list[Event]:
        """Return the events of the run in its own time."""
        if self._clock is None:
            return [one for _, one in reader.events(run.id)]
        told = segmented_events(reader, run)
        rows = [(segment or 0, one.utc_ns, one.mono_ns) for segment, one in told]
        segment, utc_ns, mono_ns = np.array(rows, np.int64).reshape(-1, 3).T
        even_ns = self._clock.of(segment, utc_ns, mono_ns).tolist()
        return [
            replace(one, utc_ns=at_ns)
            for (_, one), at_ns in zip(told, even_ns, strict=True)
        ]
