"""Readings and events of a run in its own time, for who goes through them in pieces.

Where the wall clock was set between two segments the judge would take the time between
them from it: drift and holes of days in a run of a minute. Nothing stored is altered.
"""

from collections.abc import Mapping
from dataclasses import replace

from benchlog.evaluation.run_time.steady_time import SteadyTime, segmented_events
from benchlog.model import Columns, Event, Run
from benchlog.store.reader import Reader
from benchlog.verdict.run.judges import AnyJudge
from benchlog.verdict.run.reading_judge import RunJudge
from benchlog.verdict.run.segment_shifts import shifted


class OwnTime:
    """What the UTC of each segment of one run lacks; learnt when another one begins."""

    def __init__(self) -> None:
        self._shifts_ns: Mapping[int, int] = {}
        self._segment: int | None = None

    def learn(
        self, reader: Reader, run: Run, columns: Columns, judge: AnyJudge
    ) -> None:
        """Look at the segments of readings that come next, and tell the judge."""
        if not len(columns) or not isinstance(judge, RunJudge):
            return
        first = int(columns.segment[0]) if self._segment is None else self._segment
        self._segment = int(columns.segment[-1])
        if self._segment != first:
            clock = SteadyTime(segmented_events(reader, run))
            self._shifts_ns = judge.segment_shifts_ns = clock.shifts_ns

    def of_readings(self, columns: Columns) -> Columns:
        """Return readings in the run's own time."""
        return shifted(columns, self._shifts_ns)

    def of_events(self, reader: Reader, run: Run) -> list[Event]:
        """Return the events of the run in its own time."""
        by_ns = self._shifts_ns
        if not by_ns:
            return [one for _, one in reader.events(run.id)]
        return [
            replace(one, utc_ns=one.utc_ns + by_ns.get(segment or 0, 0))
            for segment, one in segmented_events(reader, run)
        ]
