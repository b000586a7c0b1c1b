"""The means of turns while a run grows: one value a turn, compared with the next ones.

A counter that serves several devices in turns leaves dead time between the turns of
each. Within a turn readings follow on each other, across turns they do not, and what
the device does meanwhile is not seen. A run is therefore judged by the means of its
turns, evenly spaced as the turns are: what is found of their Allan variance is what
there is with this dead time, and is not corrected (IEEE Std 1139 wants dead time told
with a figure; NIST SP 1065, 5.15; clauses from memory). White frequency noise of turns
averages as their number goes, not as the time that has passed.
"""

from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.octaves import REACH, Octaves
from benchlog.model import Columns, Flag
from benchlog.units import NS_PER_S

Array = NDArray[np.float64]
_TURN: Final = int(Flag.TURN)  # definition: an enum's bit masks slowly
_SHORT_ONES: Final = 2  # our rule: so many short turns in a row are the usual ones now


@dataclass(slots=True, kw_only=True)
class _OpenTurn:
    """The turn that readings are coming of."""

    segment: int
    end_ns: int = 0
    count: int = 0
    total: float = 0.0
    entered: bool = False


class TurnMeans:
    """Feeds the mean of each turn to octaves; how readings are chunked is no matter.

    A turn is over when the next one begins, or when it has as many readings as the one
    before it. One with less than half of these is a place left empty.
    """

    def __init__(self) -> None:
        self.octaves = Octaves()
        self.turns = 0
        self.usual = 0  # readings of a turn
        self._short = 0
        self._open: _OpenTurn | None = None
        self._last: tuple[int, int] | None = None  # segment and end of the last one in
        self._spacing_ns, self._spacings = 0.0, 0

    @property
    def spacing_s(self) -> float | None:
        """From turn to turn; None while there is one alone."""
        return self._spacing_ns / self._spacings / NS_PER_S if self._spacings else None

    def feed(self, columns: Columns, shifted: Array) -> None:
        """Take in readings in order; `shifted` are their frequencies, from any zero.

        What comes before the first turn is in none.
        """
        begins = np.flatnonzero(columns.flags & _TURN).tolist()
        if self._open is not None:
            self._go_on(columns, shifted, 0, begins[0] if begins else len(columns))
        for start, end in pairwise([*begins, len(columns)]):
            if self._open is not None:
                self._close(self._open)
            self.turns += 1
            self._open = _OpenTurn(segment=int(columns.segment[start]))
            self._go_on(columns, shifted, start, end)

    def _go_on(self, columns: Columns, shifted: Array, start: int, end: int) -> None:
        turn = self._open
        if turn is None or turn.entered or start == end:
            return
        if self.usual:
            end = min(end, start + self.usual - turn.count)
        for value in shifted[start:end].tolist():  # in the order they came, any chunks
            turn.total += value
        turn.count += end - start
        turn.end_ns = int(columns.mono_ns[end - 1])
        if turn.count == self.usual:
            self._enter(turn)

    def _close(self, turn: _OpenTurn) -> None:
        """See what a turn is worth that is over."""
        if turn.entered:
            self._short = 0
            return
        if 2 * turn.count < self.usual:
            self._short += 1
            if self._short < _SHORT_ONES:
                return
        self.usual, self._short = turn.count, 0
        self._enter(turn)

    def _enter(self, turn: _OpenTurn) -> None:
        turn.entered = True
        missing = self._missing(turn)
        if missing is None:
            if self._last is not None:
                self.octaves.start_block()
            missing = 0
        self._last = turn.segment, turn.end_ns
        places = np.array([min(missing, REACH)], dtype=np.int64)
        self.octaves.feed(np.array([turn.total / turn.count]), places)

    def _missing(self, turn: _OpenTurn) -> int | None:
        """Return how many turns are missing before one; None where nobody knows."""
        if self._last is None or self._last[0] != turn.segment:
            return None
        apart_ns = turn.end_ns - self._last[1]
        if apart_ns <= 0:
            return None
        places = 0
        if self._spacings:
            places = round(apart_ns * self._spacings / self._spacing_ns)
            if not places:  # what was taken for the spacing had turns missing
                self._spacing_ns, self._spacings = 0.0, 0
        if places <= 1:
            self._spacing_ns += apart_ns
            self._spacings += 1
        return max(places - 1, 0)
