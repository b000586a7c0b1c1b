"""Time of a run's rows that goes on evenly where the wall clock was stepped.

A turn holds the readings between two moments, and figures go by the time between turns.
By the wall clock alone, one that is set back in a sequence brings readings of one step
into the turns of another, taken at another temperature.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.model import Event, EventKind, Run
from benchlog.store.logged_tables import EVENTS
from benchlog.store.reader import Reader
from benchlog.units import NS_PER_S

Whole = NDArray[np.int64]
_STEP_NS: Final = NS_PER_S // 2  # our rule: as for the event that tells of a step
_MOST: Final = 2**62  # our rule: far beyond any clock, and sums are still held


@dataclass(frozen=True, slots=True)
class _Piece:
    """From `from_mono_ns` on, in a segment, wall clock less monotonic one, in ns."""

    segment: int
    from_mono_ns: int
    offset_ns: int


def segmented_events(reader: Reader, run: Run) -> list[tuple[int | None, Event]]:
    """Return the events of a run in their order, each with its segment."""
    events = [event for _, event in reader.events(run.id)]
    # a keeper may have added some since
    segments = reader.logged(EVENTS, run.id, limit=len(events)).of("segment_id")
    return list(zip(segments, events, strict=True))


class SteadyTime:
    """Brings moments of a run to one time, by the monotonic clock of each segment.

    Where the wall clock went on evenly it is that, exactly. Sleep of the computer
    counts as time that passed; what passed between two segments only the wall clock
    tells, but never less than nothing.
    """

    def __init__(self, events: Iterable[tuple[int | None, Event]]) -> None:
        """`events`: all events of a run, each with its segment, in their order."""
        self._pieces = tuple(_pieces(events))

    def of(self, segment: Whole, utc_ns: Whole, mono_ns: Whole) -> Whole:
        """Return the time of rows in ns, shape (n,), from arrays of that shape."""
        found = utc_ns.copy()
        for piece in self._pieces:
            inside = (segment == piece.segment) & (mono_ns >= piece.from_mono_ns)
            even = mono_ns[inside] + piece.offset_ns
            near = np.abs(utc_ns[inside] - even) < _STEP_NS
            found[inside] = np.where(near, utc_ns[inside], even)
        return found

    def of_event(self, segment: int | None, event: Event) -> int:
        """Return the time of an event in ns."""
        if segment is None:
            return event.utc_ns
        one = [np.array([x]) for x in (segment, event.utc_ns, event.mono_ns)]
        return int(self.of(one[0], one[1], one[2])[0])


def _pieces(events: Iterable[tuple[int | None, Event]]) -> Sequence[_Piece]:
    pieces: list[_Piece] = []
    last_ns, before_ns = -_MOST, 0  # the latest time, and the offset an event before
    for segment, event in events:
        if segment is None:
            continue
        own_ns = event.utc_ns - event.mono_ns
        if not pieces or segment != pieces[-1].segment:
            offset_ns = max(own_ns, last_ns - event.mono_ns)
            pieces.append(_Piece(segment, -_MOST, _held(offset_ns)))
        elif event.kind == EventKind.ASLEEP:
            offset_ns = pieces[-1].offset_ns + own_ns - before_ns
            pieces.append(_Piece(segment, event.mono_ns, _held(offset_ns)))
        before_ns = own_ns
        last_ns = max(last_ns, event.mono_ns + pieces[-1].offset_ns)
    return pieces


def _held(offset_ns: int) -> int:
    return max(-_MOST, min(offset_ns, _MOST))
