"""The overlapping Allan variance at octaves, reading by reading, in constant memory.

The phase is a running sum of frequency values, kept as two doubles so that its length
costs no digits; beside it runs the count of readings, because some may be missing. Up
to an averaging factor of 32,768 every overlapping pair counts; beyond, the phase is
thinned out in step with the factor, which loses no measurable information (a pair
starts every 1/32,768 of its length).
"""

from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.arrays import sum_squares
from benchlog.analysis.bridged_phase import BridgedPhase
from benchlog.analysis.linefit import ExactSum

Array = NDArray[np.float64]

TOP: Final = 15  # our rule: bounds memory; see the module
"""The last octave with every pair: m = 2**15."""

REACH: Final = 2 << TOP  # definition: two stretches of 2**TOP
"""Phases back from the newest that are still needed."""

_ROOM: Final = REACH // 4
"""Our rule: room behind those, so that they are seldom moved; memory for each octave of
a long run, where moving them costs nothing beside adding them up."""


@dataclass(slots=True, kw_only=True)
class OctaveSum:
    """Sum of squared second differences of phase at one averaging factor.

    `pairs` and `squares` of unbroken stretches; the bridged ones also of averages with
    at least half of their readings.
    """

    m: int
    pairs: int = 0
    squares: ExactSum = field(default_factory=ExactSum)
    bridged_pairs: int = 0
    bridged_squares: ExactSum = field(default_factory=ExactSum)

    def add(self, strict: Array, bridged: Array) -> None:
        """Add second differences to both sums."""
        squares = sum_squares(strict)
        self.pairs += len(strict)
        self.squares.add([squares])
        self.bridged_pairs += len(bridged)
        same = bridged is strict
        self.bridged_squares.add([squares if same else sum_squares(bridged)])


class _Level:
    """The newest phases of the block at one stride, in an amortised buffer.

    Rows of the buffer: phase, its rounding error and, from the first reading that is
    missing on, readings so far.
    """

    def __init__(self, stride: int) -> None:
        self.stride = stride
        self.count = 0  # phases of this block so far, kept or not
        self._fill = 0
        self._kept = np.zeros((2, 256))

    def clear(self) -> None:
        self.count = self._fill = 0
        self._kept = self._kept[:2]

    def append(self, rows: Array) -> None:
        """Add phases; at least the last `REACH` before them are kept."""
        more = rows.shape[1]
        if not more:
            return
        if (
            len(self._kept) == 2
            and rows[2, -1] != (self.count + more - 1) * self.stride
        ):
            self._count_readings()
        if self._fill + more > self._kept.shape[1]:
            self._make_room(more)
        end = self._fill + more
        self._kept[:, self._fill : end] = rows[: len(self._kept)]
        self._fill = end
        self.count += more

    def _count_readings(self) -> None:
        """Keep from now on how many readings there were at each phase."""
        so_far = np.zeros((1, self._kept.shape[1]))
        so_far[0, : self._fill] = self._all_there()
        self._kept = np.concatenate([self._kept, so_far])

    def _all_there(self) -> Array:
        """Return how many readings there were at each phase, where none is missing."""
        return np.arange(self.count - self._fill, float(self.count)) * self.stride

    def _make_room(self, more: int) -> None:
        keep = min(self._fill, REACH)
        newest = self._kept[:, self._fill - keep : self._fill]
        needed, had = keep + more, self._kept.shape[1]
        if needed > had:
            room = np.zeros((len(newest), min(needed, _ROOM) + more))
            self._kept = np.concatenate([newest, room], axis=1)
        else:
            self._kept[:, :keep] = newest.copy()
        self._fill = keep

    def every_second(self) -> Array:
        """Return what a level of twice the stride would hold by now."""
        kept = self._kept[:, : self._fill]
        if len(kept) == 2:
            kept = np.concatenate([kept, self._all_there()[None]])
        return kept[:, self._fill - self.count :: 2].copy()

    def differences(self, lag: int, new: int, gap: bool) -> tuple[Array, Array] | None:
        """Return the second differences that `new` phases complete, two ways.

        The first of unbroken stretches, the second of averages at least half there.
        """
        ends = min(new, self.count - 2 * lag)
        if ends <= 0:
            return None
        b = self._fill
        a = b - ends
        if not gap or len(self._kept) == 2:
            strict = self._apart(0, a, b, lag)
            strict += self._apart(1, a, b, lag)
            return strict, strict
        late = self._kept[:, a:b] - self._kept[:, a - lag : b - lag]
        early = (
            self._kept[:, a - lag : b - lag] - self._kept[:, a - 2 * lag : b - 2 * lag]
        )
        apart = late - early
        strict = apart[0] + apart[1]
        return _bridge(late, early, strict, lag * self.stride)

    def _apart(self, row: int, a: int, b: int, lag: int) -> Array:
        """Return the second differences of one row, in one array beside the buffer."""
        kept = self._kept[row]
        middle = kept[a - lag : b - lag]
        late: Array = kept[a:b] - middle
        late -= middle - kept[a - 2 * lag : b - 2 * lag]
        return late


def _bridge(late: Array, early: Array, strict: Array, m: int) -> tuple[Array, Array]:
    """Pick pairs of full averages, and of those at least half there."""
    full = (late[2] == m) & (early[2] == m)
    half = (2 * late[2] >= m) & (2 * early[2] >= m)
    late_mean = (late[0, half] + late[1, half]) / late[2, half]
    early_mean = (early[0, half] + early[1, half]) / early[2, half]
    bridged = (late_mean - early_mean) * m
    return strict[full], np.where(full[half], strict[half], bridged)


class Octaves:
    """Allan sums over equally spaced frequency values, some of them missing."""

    def __init__(self) -> None:
        self.sums: list[OctaveSum] = []
        self.blocks = BridgedPhase()
        self._levels = [_Level(1)]
        self._newest = self._previous = np.zeros(3)
        self._index = 0  # of the newest phase in the block
        self._gap_at = -1  # the newest phase after which a value is missing
        self.start_block()

    @property
    def broken(self) -> bool:
        """Whether bridged sums differ from those of unbroken stretches."""
        return any(one.bridged_pairs != one.pairs for one in self.sums)

    def start_block(self) -> None:
        """Forget the phase: nothing can be said across this place."""
        if self._index:
            self.blocks.give_up()
        del self._levels[1:]
        self._levels[0].clear()
        self._levels[0].append(np.zeros((3, 1)))
        self._newest = self._previous = np.zeros(3)
        self._index, self._gap_at = 0, -1

    def feed(self, values: Array, missing: NDArray[np.int64] | None = None) -> None:
        """Continue the block by frequency values (any unit), oldest first.

        `missing` tells how many values are missing before each.
        """
        if missing is None or not missing.any():
            for start in range(0, len(values), REACH):
                some = values[start : start + REACH]
                rows = self._running_sum(some)
                self.blocks.feed(some, rows[0] + rows[1])
                self._feed_some(rows)
            return
        start = 0
        places = np.cumsum(1 + missing)
        while start < len(values):
            room = REACH + (int(places[start - 1]) if start else 0)
            end = max(start + 1, int(np.searchsorted(places, room, side="right")))
            self._feed_spaced(values[start:end], missing[start:end])
            start = end

    def _feed_spaced(self, values: Array, missing: NDArray[np.int64]) -> None:
        if missing[0] >= REACH:  # nothing is left to compare with
            self.start_block()
            missing = np.concatenate(([0], missing[1:]))
        summed = self._running_sum(values)
        start = float(self._previous[0] + self._previous[1])
        self.blocks.feed_spaced(values, summed[0] + summed[1], start, missing)
        before = np.concatenate([self._previous[:, None], summed[:, :-1]], axis=1)
        at = np.cumsum(1 + missing) - 1
        rows = np.repeat(before, 1 + missing, axis=1)
        rows[:, at] = summed
        if missing.any():
            last = int(np.flatnonzero(missing)[-1])
            self._gap_at = self._index + int(at[last])
        self._feed_some(rows)

    def _feed_some(self, rows: Array) -> None:
        first, new = self._index + 1, rows.shape[1]
        self._index += new
        self._levels[0].append(rows)
        for octave in range(TOP + 1):
            if not self._collect(octave, self._levels[0], new, 1 << octave):
                break
        depth = 1
        while depth < len(self._levels) or self._levels[-1].count > REACH:
            if depth == len(self._levels):
                level, new = self._deepen()
            else:
                level = self._levels[depth]
                thinned = rows[:, -first % level.stride :: level.stride]
                level.append(thinned)
                new = thinned.shape[1]
            self._collect(TOP + depth, level, new, 1 << TOP)
            depth += 1

    def _running_sum(self, values: Array) -> Array:
        """Continue the phase; the second row is the rounding error of the first."""
        self._previous = self._newest
        chain = np.concatenate((self._newest[:1], values))
        total = np.cumsum(chain)
        before, after = total[:-1], total[1:]
        gained = after - before  # Knuth's two-sum, elementwise
        errors = (before - (after - gained)) + (values - gained)
        errors[0] += self._newest[1]
        count = self._newest[2] + np.arange(1.0, len(values) + 1.0)
        rows = np.stack([after, np.cumsum(errors), count])
        self._newest = rows[:, -1].copy()
        return rows

    def _deepen(self) -> tuple[_Level, int]:
        """Add a level of twice the stride; the one below still holds all phases."""
        below = self._levels[-1]
        level = _Level(2 * below.stride)
        level.append(below.every_second())
        self._levels.append(level)
        return level, level.count

    def _collect(self, octave: int, level: _Level, new: int, lag: int) -> bool:
        oldest = self._index - (new + 2 * lag) * level.stride
        found = level.differences(lag, new, gap=self._gap_at >= oldest)
        if found is None:
            return False
        if octave == len(self.sums):
            self.sums.append(OctaveSum(m=lag * level.stride))
        self.sums[octave].add(*found)
        return True
