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
) -> tuple[list[StabilityRow], tuple[str, ...]]:
    """Return the rows, those of a drift named so and without interval, and a note.

    `per_value` is the drift from value to value in the unit of the rows; `of_drift` are
    the deviations if a drift makes them, where that differs from the rows.
    """
    values = of_drift or [row.value for row in rows]
    first = len(rows)
    for at in range(len(rows) - 1, -1, -1):
        value, drift = values[at], abs(per_value) * rows[at].m / math.sqrt(2.0)
        if value is None:
            continue
        if not drift / signs.near <= value <= drift * signs.near:
            break
        after = values[at + 1] if at + 1 < len(rows) else None
        if after is not None:
            least = (rows[at + 1].m / rows[at].m) ** signs.rises
            if after < least * value:
                break
        first = at
    found = [row for row in rows[first:] if row.value is not None]
    if len(found) < _FEWEST or found[-1].m < signs.wide * found[0].m:
        return list(rows), ()
    named = [
        replace(
            row,
            value=value,
            noise="drift",
            low=None,
            high=None,
            edf=None,
            bias=1.0,
            carried=False,
        )
        for row, value in zip(rows[first:], values[first:], strict=True)
    ]
    note = (
        f"from {format_duration(found[0].tau_s)} on the deviation rises as tau: a "
        "drift dominates there and no noise, so no interval is given; --remove-drift "
        "shows the noise beneath"
    )
    return [*rows[:first], *named], (note,)
