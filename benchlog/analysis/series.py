"""Equally spaced frequency or phase data, as the stability figures take it in."""

from collections.abc import Iterator
from dataclasses import KW_ONLY, dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.arrays import BLOCK, all_finite
from benchlog.analysis.settling import without_settling
from benchlog.analysis.turns.turn_grid import turns_on_grid
from benchlog.errors import DataError
from benchlog.model import (
    GATE_CHANGE,
    Breaks,
    Columns,
    Counting,
    Flag,
    Frequencies,
)
from benchlog.units import NS_PER_S

Array = NDArray[np.float64]

# that a slope is the median of, at most; our rule: bounds the time
_PAIRS: Final = 1_000_000
_FEWEST: Final = 8  # values among which one can be called far from the others; our rule
UNSTATED: Final = Counting()
"""Of a counter of which nobody stated how it counts."""
_HARDLY: Final = 1.0 + 1e-9  # definition: dead time that no time stamp shows
# slots per reading before a run counts as mostly missing; our rule
_SLOTS_MAX: Final = 4


@dataclass(frozen=True, slots=True)
class Series:
    """Fractional frequency (a number) or phase (s) on an equally spaced grid.

    Parameters
    ----------
    values : array, shape (n,)
        NaN where a value is missing; infinities are refused.
    tau0_s : float
        Spacing of the grid.
    data : str
        `frequency` or `phase`.
    gate_s : float | None
        How long each frequency value was averaged, when that is shorter than the
        spacing (dead time). None means no dead time.
    counting : Counting
        How the counter counts, where that was stated.

    Raises DataError when it is not what it says.

    """

    values: Array
    tau0_s: float
    data: str = "frequency"
    gate_s: float | None = None
    _: KW_ONLY
    counting: Counting = UNSTATED

    def __post_init__(self) -> None:
        if self.data not in ("frequency", "phase"):
            raise DataError(f"data is {self.data!r}; expected frequency or phase")
        if not (0 < self.tau0_s < np.inf):
            raise DataError(
                f"spacing is {self.tau0_s!r} s; give one that is above zero"
            )
        if self.values.ndim != 1:
            raise DataError("stability needs one column of values")
        if all_finite(self.values):
            return
        if any(np.isinf(some).any() for some in self._blocks()):
            raise DataError("the data hold an infinite value; look for it and import")

    def __len__(self) -> int:
        return len(self.values)

    @property
    def dead_time_ratio(self) -> float:
        """Spacing over gate; 1 without dead time, more (hardly or much) with it.

        What was stated of the counter goes before what its time stamps look like.
        """
        gapless = self.counting.gapless
        if gapless or (self.gate_s is None and gapless is None):
            return 1.0
        return max(self.tau0_s / (self.gate_s or self.tau0_s), _HARDLY)

    @property
    def missing(self) -> int:
        """How many values are missing."""
        if all_finite(self.values):
            return 0
        return sum(int(np.count_nonzero(np.isnan(some))) for some in self._blocks())

    def _blocks(self) -> Iterator[Array]:
        """Cut the values, so that looking through them needs no array as long."""
        for start in range(0, len(self.values), BLOCK):
            yield self.values[start : start + BLOCK]


def series_from_columns(
    columns: Columns,
    nominal_hz: float,
    divider: float = 1.0,
    counting: Counting = UNSTATED,
) -> Series:
    """Put the readings of a run on a grid. See `series_from_frequencies`."""
    found = frequencies_of(columns)
    return series_from_frequencies(found, nominal_hz, divider, counting)


def series_from_frequencies(
    found: Frequencies,
    nominal_hz: float,
    divider: float = 1.0,
    counting: Counting = UNSTATED,
) -> Series:
    """Put the readings of a run on a grid; slots without a reading stay empty.

    A break leaves at least one slot empty before it, because phase is not known across
    it. Of readings in turns each turn is one value, with dead time up to the next.
    Raises DataError when there is nothing, when time does not go on, or when most
    slots would be empty.
    """
    n = len(found)
    if n == 0:
        raise DataError("the run has no readings")
    if found.breaks.turns.any():
        return _of_turns(found, nominal_hz, divider, counting)
    if n == 1:
        return Series(_fractional(found, 1, nominal_hz, divider), found.gate_s or 1.0)
    steps_ns = _broken_steps(found.breaks)
    tau0_s = _spacing_s(found)
    missing = np.round(steps_ns / NS_PER_S / tau0_s)
    longest = _SLOTS_MAX * n + 1024
    slots = np.clip(missing, 2, longest).astype(np.int64)
    size = n + int((slots - 1).sum())
    if size > longest + 1:
        raise DataError(
            f"{n} readings in {size} places: too much is missing for a stability "
            "figure; pick a stretch without the long gaps"
        )
    values = _fractional(found, size, nominal_hz, divider, slots)
    dead = found.gate_s if 0 < found.gate_s < 0.999 * tau0_s else None
    return Series(values, tau0_s, "frequency", dead, counting=counting)


def _of_turns(
    found: Frequencies, nominal_hz: float, divider: float, counting: Counting
) -> Series:
    """Put the means of turns on a grid, spaced as the turns are.

    Whatever the counter does within a turn, there is dead time between two. Raises
    DataError of one turn alone, and when most slots would be empty.
    """
    grid = turns_on_grid(found)
    longest = _SLOTS_MAX * len(grid.mean_hz) + 1024
    if grid.size > longest:
        raise DataError(
            f"{len(grid.mean_hz)} turns in {grid.size} places: too much is missing for "
            "a stability figure; pick a stretch without the long gaps"
        )
    values = np.full(grid.size, np.nan)
    shifted_hz = grid.mean_hz - nominal_hz / divider
    values[grid.slots] = shifted_hz * (divider / nominal_hz)
    live_s = min(grid.gates * found.gate_s, grid.spacing_s)
    counts = replace(counting, gapless=False)
    return Series(values, grid.spacing_s, "frequency", live_s, counting=counts)


def _spacing_s(found: Frequencies) -> float:
    """Return the mean time between readings that follow each other, else the gate."""
    breaks = found.breaks
    whole = len(found) - 1 - len(breaks.at)
    if whole:
        broken_ns = int((breaks.mono_ns[:, 1] - breaks.mono_ns[:, 0]).sum())
        tau0_s = (found.span_ns - broken_ns) / whole / NS_PER_S
    else:
        tau0_s = found.gate_s
    if tau0_s <= 0:
        raise DataError("no two readings follow each other and no gate is known")
    return tau0_s


def _fractional(
    found: Frequencies,
    size: int,
    nominal_hz: float,
    divider: float,
    slots: NDArray[np.int64] | None = None,
) -> Array:
    """Return fractional frequencies in `size` places, `slots` on from place to place.

    Stretch by stretch and in place, as an index of every reading would take as much
    memory as the readings do.
    """
    values = np.full(size, np.nan)
    starts = np.concatenate(([0], found.breaks.at))
    ends = np.concatenate((found.breaks.at, [len(found)]))
    empty = np.zeros(1, dtype=np.int64)
    shift = empty if slots is None else np.concatenate((empty, np.cumsum(slots - 1)))
    for start, end, by in zip(
        starts.tolist(), ends.tolist(), shift.tolist(), strict=True
    ):
        values[start + by : end + by] = found.frequency_hz[start:end]
    values -= nominal_hz / divider
    values *= divider / nominal_hz
    return values


def frequencies_of(columns: Columns) -> Frequencies:
    """Reduce columns to what a grid needs of them, as the store does for long runs."""
    columns, _ = without_settling(columns)
    before, after = slice(None, -1), slice(1, None)
    turned = columns.segment[after] != columns.segment[before]
    gate_s = columns.gate_s
    changed = np.abs(gate_s[after] - gate_s[before]) > GATE_CHANGE * gate_s[after]
    turn = (columns.flags[after] & Flag.TURN) != 0
    gap = turn | ((columns.flags[after] & Flag.GAP_BEFORE) != 0)
    stuck = columns.mono_ns[after] <= columns.mono_ns[before]
    at = np.flatnonzero(gap | turned | changed | stuck) + 1
    pairs = np.column_stack([at - 1, at])
    some = len(columns) > 0
    return Frequencies(
        columns.frequency_hz,
        float(gate_s[-1]) if some else 0.0,
        int(columns.mono_ns[-1]) - int(columns.mono_ns[0]) if some else 0,
        Breaks(
            at,
            columns.id[at],
            columns.mono_ns[pairs],
            columns.utc_ns[pairs],
            columns.segment[pairs],
            turn[at - 1],
        ),
    )


def _broken_steps(breaks: Breaks) -> Array:
    """Return the time in ns across each break. Raises DataError where it stops."""
    steps = (breaks.mono_ns[:, 1] - breaks.mono_ns[:, 0]).astype(np.float64)
    stamped = np.all(breaks.utc_ns >= 0, axis=1) & breaks.turned
    steps[stamped] = (breaks.utc_ns[:, 1] - breaks.utc_ns[:, 0])[stamped]
    stuck = np.flatnonzero((steps <= 0) & ~breaks.turned)
    if len(stuck):
        raise DataError(
            f"time does not go on at reading {int(breaks.id[stuck[0]])}; stability "
            "needs readings in the order they were made"
        )
    return steps


def frequency_of(series: Series) -> Array:
    """Return fractional frequency; phase data are differenced."""
    if series.data == "frequency":
        return series.values
    return np.diff(series.values) / series.tau0_s


def phase_of(series: Series, *, exact: bool = False) -> tuple[Array, float]:
    """Return phase, and the unit of it in tau0.

    Phase data are returned as they are, nothing copied: all figures rest on
    differences, which a straight line does not disturb. Frequency data are summed about
    their mean, so that the sum of a million values keeps its digits. With `exact` it
    is summed in long double: a drift makes the sum so large that its rounding, added
    up, shows at 1e-8 of a deviation. Raises DataError when values are missing.
    """
    if series.missing:
        raise DataError("values are missing: phase is not known across a gap")
    values = series.values
    if series.data == "phase":
        return values, 1.0 / series.tau0_s
    phase = np.empty(len(values) + 1)
    phase[0] = 0.0
    if len(values):
        np.subtract(values, values.mean(), out=phase[1:])
        if exact:
            phase[1:] = np.cumsum(phase[1:], dtype=np.longdouble)
        else:
            np.cumsum(phase[1:], out=phase[1:])
    return phase, 1.0


def without_drift(series: Series) -> Series:
    """Remove the least-squares frequency drift (a parabola from phase)."""
    values = series.values
    t = np.arange(len(values), dtype=np.float64)
    t -= t.mean() if len(t) else 0.0
    there = ~np.isnan(values)
    degree = 1 if series.data == "frequency" else 2
    if np.count_nonzero(there) <= degree + 1:
        raise DataError("too few values to remove a drift")
    t /= max(1.0, float(t[-1]))
    coefficients = np.polynomial.polynomial.polyfit(t[there], values[there], degree)
    fitted = np.polynomial.polynomial.polyval(t, coefficients)
    return replace(series, values=values - fitted)


def outliers(series: Series, limit: float = 5.0) -> NDArray[np.bool_]:
    """Mark frequency values far from their median, by a robust rule.

    |y - median| > `limit` times the median absolute deviation / 0.6745 (which is the
    standard deviation of normal scatter). A drift is taken out first by the median of
    slopes between the two halves. Marks, deletes nothing; of fewer than 8 values none.
    """
    y = frequency_of(series)
    marked = ~np.isnan(y)
    rest = y[marked]
    if len(rest) < _FEWEST:
        return np.zeros(len(y), dtype=np.bool_)
    at = np.flatnonzero(marked)
    slope = _slope_of_halves(at, rest)
    for start in range(0, len(rest), BLOCK):
        rest[start : start + BLOCK] -= slope * at[start : start + BLOCK]
    del at
    rest -= np.median(rest)
    np.abs(rest, out=rest)
    spread = float(np.median(rest)) / 0.6745
    marked[marked] = rest > limit * spread if spread > 0 else rest != 0
    return marked


def _slope_of_halves(at: NDArray[np.int64], y: Array) -> float:
    """Return the median slope from the first half to the second, of many pairs."""
    half = len(y) // 2
    step = max(1, half // _PAIRS)
    late, early = slice(half, 2 * half, step), slice(0, half, step)
    return float(np.median((y[late] - y[early]) / (at[late] - at[early])))


def without(series: Series, marked: NDArray[np.bool_]) -> Series:
    """Leave marked frequency values out: their slots count as missing."""
    if series.data != "frequency" or len(marked) != len(series):
        raise DataError("values are left out of frequency data, one mark per value")
    values = np.where(marked, np.nan, series.values)
    return replace(series, values=values)
