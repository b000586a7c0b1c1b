"""Where nothing was measured in a run, for how long, and what is known of the cause."""

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from benchlog.model import (
    Columns,
    Event,
    EventKind,
    Flag,
)
from benchlog.units import NS_PER_S

MOST: Final = 10_000  # our rule: bounds memory
NO_CAUSE: Final = frozenset(
    {
        EventKind.STARTED,
        EventKind.ENDED,
        EventKind.BACK,
        EventKind.STORE_BACK,
        EventKind.NOTE,
        EventKind.MARK,
        EventKind.ALARM,
        EventKind.ALARM_OVER,
        EventKind.ALARM_UNSENT,
        EventKind.STEP,
        EventKind.INSTRUMENT_MESSAGE,
        EventKind.RESUMED,
        EventKind.SUSPECT,
        EventKind.OUT_OF_TURN,
        EventKind.DISK_LOW,
        EventKind.LOCAL_TIME,
        EventKind.AMBIENT_LOST,
        EventKind.AMBIENT_RANGE,
    }
)
"""Kinds of event that explain no gap."""
_SLACK_NS: Final = 3 * NS_PER_S  # our rule: a cause is told up to a few looks later
# our rule: within a day (24 of them) it is the same boot
_OTHER_BOOT_NS: Final = 3600 * NS_PER_S


@dataclass(frozen=True, slots=True, kw_only=True)
class Hole:
    """A place where a reading does not follow on the one before it.

    `lasted_s` is the time without a reading, from the end of one gate to the beginning
    of the next; across segments by UTC. `utc_ns` is when it began, -1 without time
    stamps.
    """

    utc_ns: int
    begin_mono_ns: int
    end_mono_ns: int
    lasted_s: float
    new_segment: bool


class Holes:
    """Finds the holes of a run as its readings are fed; keeps the first 10,000."""

    def __init__(self) -> None:
        self.count = 0
        self.lost_s = 0.0
        self.kept: list[Hole] = []
        self._last: tuple[int, int, int] | None = None

    def feed(self, columns: Columns, before_utc_ns: int | None = None) -> None:
        """Take in readings in the order they were made.

        `before_utc_ns`: when the reading before them was, where that is known better.
        """
        if not len(columns):
            return
        before = self._last or _at(columns, 0)
        if self._last is not None and before_utc_ns is not None:
            before = (*before[:2], before_utc_ns)
        segment = np.concatenate(([before[0]], columns.segment))
        mono = np.concatenate(([before[1]], columns.mono_ns))
        utc = np.concatenate(([before[2]], columns.utc_ns))
        anew = np.diff(segment) != 0
        marked = anew | ((columns.flags & Flag.GAP_BEFORE) != 0)
        if self._last is None:
            marked[0] = False
        for place in np.flatnonzero(marked).tolist():
            across = bool(anew[place])
            ends = utc if across else mono
            apart_s = float(ends[place + 1] - ends[place]) / NS_PER_S
            lasted_s = max(0.0, apart_s - float(columns.gate_s[place]))
            self.count += 1
            self.lost_s += lasted_s
            if len(self.kept) < MOST:
                hole = Hole(
                    utc_ns=int(utc[place]),
                    begin_mono_ns=int(mono[place]),
                    end_mono_ns=int(mono[place + 1]),
                    lasted_s=lasted_s,
                    new_segment=across,
                )
                self.kept.append(hole)
        self._last = _at(columns, len(columns) - 1)


def _at(columns: Columns, place: int) -> tuple[int, int, int]:
    return (
        int(columns.segment[place]),
        int(columns.mono_ns[place]),
        int(columns.utc_ns[place]),
    )


def causes_of(
    holes: Sequence[Hole], events: Sequence[Event]
) -> list[tuple[Hole, tuple[Event, ...]]]:
    """Return each hole with the events that tell of it; none found is an empty tuple.

    Within a segment events are matched by monotonic time, which never steps; where a
    segment ends, by UTC.
    """
    telling = [event for event in events if event.kind not in NO_CAUSE]
    by_mono = sorted(telling, key=lambda event: event.mono_ns)
    keys = [event.mono_ns for event in by_mono]
    found = []
    for hole in holes:
        if hole.new_segment:
            end_ns = hole.utc_ns + int(hole.lasted_s * NS_PER_S)
            near = [e for e in telling if _within(e.utc_ns, hole.utc_ns, end_ns)]
        else:
            first = bisect_left(keys, hole.begin_mono_ns - _SLACK_NS)
            last = bisect_left(keys, hole.end_mono_ns + _SLACK_NS)
            near = [e for e in by_mono[first:last] if _same_boot(e, hole)]
        found.append((hole, tuple(near)))
    return found


def _within(at_ns: int, begin_ns: int, end_ns: int) -> bool:
    return begin_ns - _SLACK_NS <= at_ns <= end_ns + _SLACK_NS


def _same_boot(event: Event, hole: Hole) -> bool:
    """Whether an event is of this hole and not of an earlier boot's clock."""
    if hole.utc_ns < 0:
        return True
    apart_ns = (event.utc_ns - hole.utc_ns) - (event.mono_ns - hole.begin_mono_ns)
    return abs(apart_ns) < 24 * _OTHER_BOOT_NS
