"""Where a deviation is that of a drift, and no longer of a noise.

A frequency that changes by D a second has sigma_y(tau) = D tau / sqrt(2), MDEV likewise
and TOTDEV once its bias is taken off (W. J. Riley, Handbook of Frequency Stability
Analysis, NIST SP 1065, from memory). That is no random figure: the interval of the
noise beneath does not hold for it. A drift that is not quite even shows rather more,
and still rises as tau.
"""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.stability.deviations import StabilityRow
from benchlog.analysis.stability.every.row_columns import EveryRow, factors_and_values
from benchlog.units import format_duration

Array = NDArray[np.float64]

KINDS: Final = ("adev", "mdev", "totdev")
# _NEAR, _RISES, _WIDE: tests/finders/drift_dominance.py. Criterion: no noise without
# drift is called one; among what holds that, a drift is named earliest.
_NEAR: Final = 1.4  # times the drift's deviation, or its inverse
_RISES: Final = 0.9  # of what tau rises by; random walk rises by its root
_FEWEST: Final = 4  # rows; our rule: fewer rise so by chance
_WIDE: Final = 8.0  # over less, random walk rises so by chance
_MOST: Final = 4096  # our rule: means that the drift is fitted to; bounds the work


class DriftSigns(NamedTuple):
    """How near a drift's deviation, how steep and over what ratio of tau rows are."""

    near: float = _NEAR
    rises: float = _RISES
    wide: float = _WIDE


_SIGNS: Final = DriftSigns()


def drift_each(values: Array) -> float:
    """Return the slope of frequency values per value, NaN where one is missing."""
    size = -(-len(values) // _MOST)
    starts = np.arange(0, len(values), size)
    known = np.isfinite(values)
    n = np.add.reduceat(known.astype(np.float64), starts)
    there = n > 0
    if np.count_nonzero(there) < 2:
        return 0.0
    sums = np.add.reduceat(np.where(known, values, 0.0), starts)
    mean = sums[there] / n[there]
    at = starts[there] + (np.diff(np.append(starts, len(values)))[there] - 1) / 2.0
    away = at - at.mean()
    return float(away @ (mean - mean.mean()) / (away @ away))


def drift_of(phase: Array) -> float:
    """Return the slope of the frequency of equally spaced phases, per value."""
    m = max(1, len(phase) // _MOST)
    return drift_each(np.diff(phase[::m]) / m) / m


def with_drift(
    rows: Sequence[StabilityRow],
    per_value: float,
    of_drift: Sequence[float | None] = (),
    signs: DriftSigns = _SIGNS,
) -> tuple[Sequence[StabilityRow], tuple[str, ...]]:
    """Return the rows, those of a drift named so and without interval, and a note.

    `per_value` is the drift from value to value in the unit of the rows; `of_drift` are
    the deviations if a drift makes them, where that differs from the rows.
    """
    m, values = factors_and_values(rows)
    if of_drift:
        values = np.array(of_drift, np.float64)
    first = _first_of_drift(m, values, per_value, signs)
    if first is None:
        return rows, ()
    note = (
        f"from {format_duration(rows[first].tau_s)} on the deviation rises as tau: a "
        "drift dominates there and no noise, so no interval is given; --remove-drift "
        "shows the noise beneath"
    )
    if isinstance(rows, EveryRow):
        return replace(rows, drift=first), (note,)
    named = [
        replace(
            row,
            value=None if math.isnan(value) else value,
            noise="drift",
            low=None,
            high=None,
            edf=None,
            bias=1.0,
            carried=False,
        )
        for row, value in zip(rows[first:], values[first:].tolist(), strict=True)
    ]
    return [*rows[:first], *named], (note,)


def _first_of_drift(
    m: Array, values: Array, per_value: float, signs: DriftSigns
) -> int | None:
    """Return from which row on, to the last, all are near a drift's and rise as it."""
    there = ~np.isnan(values)
    drift = abs(per_value) * m / math.sqrt(2.0)
    far = (values < drift / signs.near) | (values > drift * signs.near)
    least = (m[1:] / m[:-1]) ** signs.rises * values[:-1]
    far[:-1] |= values[1:] < least  # NaN is not
    after = np.flatnonzero(far)
    at = np.flatnonzero(there)
    at = at[at > (after[-1] if len(after) else -1)]
    if len(at) < _FEWEST or m[at[-1]] < signs.wide * m[at[0]]:
        return None
    return int(at[0])
