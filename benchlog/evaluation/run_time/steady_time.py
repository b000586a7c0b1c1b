"""Time of a run's rows that goes on evenly where the wall clock was stepped.

A turn holds the readings between two moments, and figures go by the time between turns.
By the wall clock alone, one that is set back in a sequence brings readings of one step
into the turns of another, taken at another temperature.
"""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.evaluation.run_time.segment_clock import mark_of
from benchlog.model import Event, EventKind, Run
from benchlog.store.logged_tables import EVENTS
from benchlog.store.reader import Reader
from benchlog.units import NS_PER_S

Whole = NDArray[np.int64]
STEP_NS: Final = NS_PER_S // 2  # our rule: as for the event that tells of a step
_MOST: Final = 2**62  # our rule: far beyond any clock, and sums are still held
_SET: Final = re.compile(r"stepped by ([-+]\d{1,9}\.\d{3}) s")
"""How `recorder/host_monitor.py` tells by how much the wall clock was set."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Piece:
    """From `from_mono_ns` on, in a segment, own time less the monotonic clock, in ns.

    A sleep is told up to a second after the computer woke. Rows since the event before,
    `since_mono_ns`, are from behind it where UTC less the monotonic clock is `wall_ns`.
    """

    segment: int
    from_mono_ns: int
    offset_ns: int
    since_mono_ns: int
    wall_ns: int

    def holds(self, segment: Whole, utc_ns: Whole, mono_ns: Whole) -> NDArray[np.bool_]:
        """Return which rows are in it, or behind it."""
        is_late = mono_ns >= self.from_mono_ns
        if self.since_mono_ns < self.from_mono_ns:
            is_awake = np.abs(utc_ns - mono_ns - self.wall_ns) < STEP_NS
            is_late |= is_awake & (mono_ns >= self.since_mono_ns)
        found: NDArray[np.bool_] = (segment == self.segment) & is_late
        return found


def segmented_events(reader: Reader, run: Run) -> list[tuple[int | None, Event]]:
    """Return the events of a run in their order, each with its segment."""
    events = [event for _, event in reader.events(run.id)]
    # a keeper may have added some since
    segments = reader.logged(EVENTS, run.id, limit=len(events)).of("segment_id")
    return list(zip(segments, events, strict=True))


class SteadyTime:
    """Brings moments of a run to one time, by the monotonic clock of each segment.

    Where the wall clock went on evenly it is that, exactly. Sleep of the computer
    counts as time that passed. What passed between two segments of one boot that clock
    tells, too (`segment_clock.py`); else only the wall clock does, and it is never less
    than nothing.
    """

    def __init__(self, events: Iterable[tuple[int | None, Event]]) -> None:
        """`events`: all events of a run, each with its segment, in their order."""
        self._course = _Course()
        for segment, event in events:
            self._course.enter(segment, event)
        self._pieces = tuple(self._course.pieces)

    @property
    def shifts_ns(self) -> Mapping[int, int]:
        """By segment what its UTC lacks: the wall clock was set before it began.

        Only where the computer's own clock tells so.
        """
        return self._course.shifts_ns

    def onward(self, event: Event) -> tuple[int, int]:
        """Return what a segment that `event` begins will lack, and what was set of it.

        In ns: by how much its UTC is short of the run's own time, and by how much the
        wall clock was set since the last event; both 0 where nothing tells.
        """
        return self._course.onward(event)

    def of(self, segment: Whole, utc_ns: Whole, mono_ns: Whole) -> Whole:
        """Return the time of rows in ns, shape (n,), from arrays of that shape."""
        found = utc_ns.copy()
        for piece in self._pieces:
            inside = piece.holds(segment, utc_ns, mono_ns)
            even = mono_ns[inside] + piece.offset_ns
            near = np.abs(utc_ns[inside] - even) < STEP_NS
            found[inside] = np.where(near, utc_ns[inside], even)
        return found

    def of_event(self, segment: int | None, event: Event) -> int:
        """Return the time of an event in ns."""
        if segment is None:
            return event.utc_ns
        one = [np.array([x]) for x in (segment, event.utc_ns, event.mono_ns)]
        return int(self.of(one[0], one[1], one[2])[0])


class _Course:
    """The events of a run gone through in their order."""

    def __init__(self) -> None:
        self.pieces: list[_Piece] = []
        self.shifts_ns: dict[int, int] = {}
        self._last_ns = -_MOST  # the latest time
        self._before_ns = 0  # wall clock less monotonic one, an event before
        self._before_mono_ns = 0
        self._till_sleep_ns: int | None = None  # `_last_ns`, where it slept just now
        self._known: dict[tuple[str, float], tuple[int, int]] = {}

    def enter(self, segment: int | None, event: Event) -> None:
        if segment is None:
            return
        own_ns = event.utc_ns - event.mono_ns
        if not self.pieces or segment != self.pieces[-1].segment:
            self._begin(segment, event)
        elif event.kind == EventKind.ASLEEP:
            self._sleep(segment, event)
        elif event.kind == EventKind.CLOCK_STEP and self._till_sleep_ns is not None:
            last, self._last_ns = self.pieces[-1], self._till_sleep_ns
            offset_ns = _held(last.offset_ns - _set_ns(event.text))
            self.pieces[-1] = replace(last, offset_ns=offset_ns)
        is_asleep = event.kind == EventKind.ASLEEP
        self._till_sleep_ns = self._last_ns if is_asleep else None
        self._before_ns, self._before_mono_ns = own_ns, event.mono_ns
        self._last_ns = max(self._last_ns, event.mono_ns + self.pieces[-1].offset_ns)

    def _sleep(self, segment: int, event: Event) -> None:
        """Begin a piece behind a sleep, which is all that the wall clock went on."""
        own_ns = event.utc_ns - event.mono_ns
        passed_ns = own_ns - self._before_ns
        since_ns = self._before_mono_ns if _worth(passed_ns) else event.mono_ns
        piece = _Piece(
            segment=segment,
            from_mono_ns=event.mono_ns,
            offset_ns=_held(self.pieces[-1].offset_ns + passed_ns),
            since_mono_ns=since_ns,
            wall_ns=own_ns,
        )
        self.pieces.append(piece)

    def onward(self, event: Event) -> tuple[int, int]:
        short_ns = self._short_ns(event)
        if short_ns is None or not self.pieces:
            return 0, 0
        short_before_ns = self.pieces[-1].offset_ns - self._before_ns
        return _worth(short_ns), _worth(short_before_ns - short_ns)

    def _begin(self, segment: int, event: Event) -> None:
        own_ns = event.utc_ns - event.mono_ns
        short_ns = _worth(self._short_ns(event) or 0)
        if short_ns:
            self.shifts_ns[segment] = short_ns
        offset_ns = _held(max(own_ns + short_ns, self._last_ns - event.mono_ns))
        piece = _Piece(
            segment=segment,
            from_mono_ns=-_MOST,
            offset_ns=offset_ns,
            since_mono_ns=-_MOST,
            wall_ns=own_ns,
        )
        self.pieces.append(piece)
        if (mark := mark_of(event)) is not None:
            self._known[mark.boot, mark.pace] = offset_ns, mark.asleep_ns

    def _short_ns(self, event: Event) -> int | None:
        """Return how far UTC is short of the run's own time, None where unknown."""
        mark = mark_of(event)
        if mark is None or (mark.boot, mark.pace) not in self._known:
            return None
        offset_ns, asleep_ns = self._known[mark.boot, mark.pace]
        told_ns = offset_ns + mark.asleep_ns - asleep_ns
        return _held(told_ns - (event.utc_ns - event.mono_ns))


def _set_ns(text: str) -> int:
    """Return by how much the wall clock was set in the same second as it slept."""
    told = _SET.search(text)
    return 0 if told is None else round(float(told[1]) * NS_PER_S)


def _worth(ns: int) -> int:
    """Return what is more than two clocks may be apart, else nothing."""
    return ns if abs(ns) >= STEP_NS else 0


def _held(offset_ns: int) -> int:
    return max(-_MOST, min(offset_ns, _MOST))
