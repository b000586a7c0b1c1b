"""What a control voltage does: adjustment range, linearity, absolute pull range."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.characteristics.changes import (
    at_places,
    changes_from,
    largest_of,
)
from benchlog.analysis.characteristics.points import Found, Points
from benchlog.errors import DataError

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Pulling:
    """The least adjustment either way, its departure from a line, and its slope."""

    least: Found
    linearity: Found
    slope: Found


def pulling(points: Points, reference: Points) -> Pulling:
    """Return what a sweep of the control voltage found.

    The least adjustment is the smaller of what the two ends of the range reach from the
    reference. Linearity is the largest departure from the least-squares line over the
    total deviation, in percent (MIL-PRF-55310, frequency adjustment linearity; from
    memory). Raises DataError for fewer than four voltages.
    """
    changes = at_places(changes_from(points, reference))
    if len(changes) < 4:
        raise DataError("linearity needs at least four control voltages")
    return Pulling(
        least=_least(changes), linearity=_linearity(changes), slope=_slope(changes)
    )


def absolute_pull_range(least: Found, spent_ppm: float) -> Found:
    """Return what is left of the adjustment when all that is promised has been spent.

    `spent_ppm` is the sum of tolerance, stability, ageing and whatever else it must
    make good; a promise has no uncertainty.
    """
    return Found(value=least.value - spent_ppm, u=least.u, unit="ppm")


def _least(changes: Points) -> Found:
    ends = np.array([0, len(changes) - 1])
    size = np.abs(changes.offset_ppm[ends])
    if np.sign(changes.offset_ppm[0]) == np.sign(changes.offset_ppm[-1]):
        # both ends pull the same way: one way it reaches nothing
        return Found(value=0.0, u=float(_half(changes, ends).max()), unit="ppm")
    half = _half(changes, ends)
    nearest = int(np.argmin(size))
    low = float(np.min(size - half))
    high = float(np.min(size + half))
    value = float(size[nearest])
    at = float(changes.at[ends[nearest]])
    return Found(value=value, u=max(high - value, value - low), unit="ppm", at=at)


def _half(changes: Points, which: NDArray[np.int64]) -> Array:
    return np.asarray(changes.coverage_factor() * changes.u_ppm[which])


def _line(changes: Points) -> tuple[Array, Array]:
    """Return line and departures as matrices on the offsets."""
    design = np.column_stack([np.ones(len(changes)), changes.at])
    solve = np.linalg.pinv(design)
    return solve, np.eye(len(changes)) - design @ solve


def _slope(changes: Points) -> Found:
    solve, _ = _line(changes)
    u = float(np.sqrt(np.sum((solve[1] * changes.u_ppm) ** 2)))
    value = float(solve[1] @ changes.offset_ppm)
    return Found(value=value, u=changes.coverage_factor() * u, unit="ppm/V")


def _linearity(changes: Points) -> Found:
    """Return the largest departure from the line in percent of the total deviation."""
    _, rest = _line(changes)
    total = float(np.ptp(changes.offset_ppm))
    if total <= 0:
        raise DataError("the control voltage moved nothing")
    away = rest @ changes.offset_ppm
    u = np.sqrt((rest**2) @ changes.u_ppm**2)
    value, half, top = largest_of(np.abs(away), replace(changes, u_ppm=u).reach)
    percent = 100.0 / total
    at = float(changes.at[top])
    return Found(value=value * percent, u=half * percent, unit="%", at=at)
