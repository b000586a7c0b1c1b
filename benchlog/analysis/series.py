"""Equally spaced frequency or phase data, as the stability figures take it in."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.arrays import BLOCK
from benchlog.errors import DataError
from benchlog.model import Columns, Flag
from benchlog.units import NS_PER_S

Array = NDArray[np.float64]

_SLOTS_MAX: Final = 4  # slots per reading before a run counts as mostly missing


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

    Raises DataError when it is not what it says.

    """

    values: Array
    tau0_s: float
    data: str = "frequency"
    gate_s: float | None = None

    def __post_init__(self) -> None:
        if self.data not in ("frequency", "phase"):
            raise DataError(f"data is {self.data!r}; expected frequency or phase")
        if not (0 < self.tau0_s < np.inf):
            raise DataError(
                f"spacing is {self.tau0_s!r} s; give one that is above zero"
            )
        if self.values.ndim != 1:
            raise DataError("stability needs one column of values")
        if any(np.isinf(some).any() for some in self._blocks()):
            raise DataError("the data hold an infinite value; look for it and import")

    def __len__(self) -> int:
        return len(self.values)

    @property
    def missing(self) -> int:
        """How many values are missing."""
        return sum(int(np.count_nonzero(np.isnan(some))) for some in self._blocks())

    def _blocks(self) -> Iterator[Array]:
        """Cut the values, so that looking through them needs no array as long."""
        for start in range(0, len(self.values), BLOCK):
            yield self.values[start : start + BLOCK]


def series_from_columns(
    columns: Columns, nominal_hz: float, divider: float = 1.0
) -> Series:
    """Put the readings of a run on a grid; slots without a reading stay empty.

    A reading marked GAP_BEFORE leaves at least one slot empty before it, and so does a
    new segment, because phase is not known across it. Raises DataError when there is
    nothing, or when time does not go on.
    """
    n = len(columns)
    if n == 0:
        raise DataError("the run has no readings")
    y = (columns.frequency_hz - nominal_hz / divider) * (divider / nominal_hz)
    gate_s = float(columns.gate_s[-1])
    if n == 1:
        return Series(y, gate_s or 1.0, "frequency", None)
    steps_ns, broken = _steps(columns)
    whole = steps_ns[~broken]
    tau0_s = float(whole.mean()) / NS_PER_S if len(whole) else gate_s
    if tau0_s <= 0:
        raise DataError("no two readings follow each other and no gate is known")
    slots = np.ones(n - 1, dtype=np.int64)
    missing = np.round(steps_ns[broken] / NS_PER_S / tau0_s)
    longest = _SLOTS_MAX * n + 1024
    slots[broken] = np.clip(missing, 2, longest).astype(np.int64)
    at = np.concatenate(([0], np.cumsum(slots)))
    if at[-1] > longest:
        raise DataError(
            f"{n} readings in {at[-1]} places: too much is missing for a stability "
            "figure; pick a stretch without the long gaps"
        )
    values = np.full(int(at[-1]) + 1, np.nan)
    values[at] = y
    dead = gate_s if 0 < gate_s < 0.999 * tau0_s else None
    return Series(values, tau0_s, "frequency", dead)


def _steps(columns: Columns) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Return the time from reading to reading in ns, and where it is broken."""
    steps = np.diff(columns.mono_ns).astype(np.float64)
    turn = np.diff(columns.segment) != 0
    known = (columns.utc_ns[1:] >= 0) & (columns.utc_ns[:-1] >= 0)
    across = turn & known
    steps[across] = np.diff(columns.utc_ns)[across]
    if np.any(steps[~turn] <= 0):
        at = int(np.flatnonzero((steps <= 0) & ~turn)[0]) + 1
        raise DataError(
            f"time does not go on at reading {int(columns.id[at])}; stability needs "
            "readings in the order they were made"
        )
    gap = (columns.flags[1:] & Flag.GAP_BEFORE) != 0
    changed = np.abs(np.diff(columns.gate_s)) > 1e-6 * columns.gate_s[1:]
    return steps, gap | turn | changed


def frequency_of(series: Series) -> Array:
    """Return fractional frequency; phase data are differenced."""
    if series.data == "frequency":
        return series.values
    return np.diff(series.values) / series.tau0_s


def phase_of(series: Series) -> tuple[Array, float]:
    """Return phase, and the unit of it in tau0.

    Phase data are returned as they are, nothing copied: all figures rest on
    differences, which a straight line does not disturb. Frequency data are summed about
    their mean, so that the sum of a million values keeps its digits. Raises DataError
    when values are missing.
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
    return Series(values - fitted, series.tau0_s, series.data, series.gate_s)


def outliers(series: Series, limit: float = 5.0) -> NDArray[np.bool_]:
    """Mark frequency values far from their median, by a robust rule.

    |y - median| > `limit` times the median absolute deviation / 0.6745 (which is the
    standard deviation of normal scatter). A drift is taken out first by the median of
    slopes between the two halves. Marks, deletes nothing.
    """
    y = frequency_of(series)
    there = ~np.isnan(y)
    marked = np.zeros(len(y), dtype=np.bool_)
    if np.count_nonzero(there) < 3:
        return marked
    at = np.flatnonzero(there)
    half = len(at) // 2
    pairs = at[half : 2 * half] - at[:half]
    slope = float(np.median((y[at[half : 2 * half]] - y[at[:half]]) / pairs))
    rest = y[there] - slope * at
    rest = rest - np.median(rest)
    spread = float(np.median(np.abs(rest))) / 0.6745
    marked[there] = np.abs(rest) > limit * spread if spread > 0 else rest != 0
    return marked


def without(series: Series, marked: NDArray[np.bool_]) -> Series:
    """Leave marked frequency values out: their slots count as missing."""
    if series.data != "frequency" or len(marked) != len(series):
        raise DataError("values are left out of frequency data, one mark per value")
    values = np.where(marked, np.nan, series.values)
    return Series(values, series.tau0_s, series.data, series.gate_s)
