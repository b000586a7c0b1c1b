"""Changes from a reference, and the largest of them: over temperature, supply, load.

The largest of several noisy figures is larger than the largest of what they stand
for. The interval of the largest takes that into account at both ends. Below, each
figure that is about as large has its share of the risk (Bonferroni; textbook, from
memory). Above, it is missed only if all of them fall short together.
"""

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.characteristics.points import Found, Points
from benchlog.analysis.characteristics.smooth_law import excess_scatter
from benchlog.errors import DataError

Array = NDArray[np.float64]
_NEARNESS: Final = (2.0, 8.0)
"""How fast a figure below the largest stops to count as about as large, for the upper
and the lower end; our rule. tests/analysis/characteristics/test_largest.py holds that
in no case fewer than 90 % hold."""
_SURE: Final = 0.975  # definition: of one end of a 95 % interval


def changes_from(points: Points, reference: Points) -> Points:
    """Return points as changes from the reference, at their own places and times.

    Where the reference was measured several times, a straight line in time between the
    two nearest is what each point is compared with: what drifts meanwhile is not the
    place's doing. Before the first and after the last, it is the nearest.

    Raises DataError when there is no reference.
    """
    if not len(reference):
        raise DataError("changes need at least one point at the reference")
    order = np.argsort(reference.t_s)
    times, values = reference.t_s[order], reference.offset_ppm[order]
    u = reference.u_ppm[order]
    after = np.clip(np.searchsorted(times, points.t_s), 1, max(1, len(times) - 1))
    if len(times) == 1:
        base, base_u = np.full(len(points), values[0]), np.full(len(points), u[0])
    else:
        before = after - 1
        share = (points.t_s - times[before]) / (times[after] - times[before])
        share = np.clip(share, 0.0, 1.0)
        base = (1 - share) * values[before] + share * values[after]
        base_u = np.hypot((1 - share) * u[before], share * u[after])
    return Points(
        t_s=points.t_s,
        at=points.at,
        offset_ppm=points.offset_ppm - base,
        u_ppm=np.hypot(points.u_ppm, base_u),
        degrees_of_freedom=points.degrees_of_freedom,
    )


def largest(changes: Points, unit: str = "ppm") -> Found:
    """Return the largest change either way, as a magnitude, with its interval.

    Raises DataError when there is no change at all.
    """
    if not len(changes):
        raise DataError("nothing was measured away from the reference")
    value, u, top = largest_of(np.abs(changes.offset_ppm), changes.u_ppm, changes)
    return Found(value=value, u=u, unit=unit, at=float(changes.at[top]))


def largest_of(size: Array, u: Array, points: Points) -> tuple[float, float, int]:
    """Return the largest size, half its 95 % interval, and which it is.

    The value is the middle of the interval. `points` has the degrees of freedom of
    `u`. tests/analysis/characteristics/test_largest.py holds how often it is right
    where one, several or none stand out.
    """
    top = int(np.argmax(size))
    apart = (size[top] - size) / np.maximum(u, np.finfo(np.float64).tiny)
    alike, near = (float(np.sum(np.exp(-(apart**2) / k))) for k in _NEARNESS)
    low = float(np.max(size - points.coverage_factor(near) * u))
    rate = (1 - _SURE) ** (1 / math.sqrt(alike))
    high = float(np.max(size + points.quantile(1 - rate) * u))
    low = max(0.0, low)
    high = max(low, high)
    return (low + high) / 2, (high - low) / 2, top


def steepest(points: Points) -> Found:
    """Return the steepest slope between neighbouring places, as a magnitude.

    Points at one place (nearer than a hundredth of the whole span) are taken together.
    Raises DataError for fewer than two places.
    """
    merged = at_places(points)
    if len(merged) < 2:
        raise DataError("a slope needs points at two places at least")
    step = np.diff(merged.at)
    slopes = Points(
        t_s=merged.t_s[1:],
        at=(merged.at[1:] + merged.at[:-1]) / 2,
        offset_ppm=np.diff(merged.offset_ppm) / step,
        u_ppm=np.hypot(merged.u_ppm[1:], merged.u_ppm[:-1]) / step,
        degrees_of_freedom=merged.degrees_of_freedom,
    )
    return largest(slopes, "ppm/C")


def at_places(points: Points) -> Points:
    """Return one point a place, by rising place: the mean of those measured there.

    Places nearer to each other than a hundredth of the span are one.
    """
    order = np.argsort(points.at, kind="stable")
    at = points.at[order]
    apart = np.diff(at) > 0.01 * max(float(np.ptp(at)), 1e-12)
    group = np.concatenate(([0], np.cumsum(apart))) if len(at) else np.zeros(0, int)
    count = np.bincount(group).astype(np.float64)

    def mean(values: Array) -> Array:
        return np.bincount(group, weights=values[order]) / count

    return Points(
        t_s=mean(points.t_s),
        at=mean(points.at),
        offset_ppm=mean(points.offset_ppm),
        u_ppm=np.sqrt(np.bincount(group, weights=points.u_ppm[order] ** 2)) / count,
        degrees_of_freedom=points.degrees_of_freedom,
    )


def hysteresis(rising: Points, falling: Points) -> Found:
    """Return the largest difference between rising and falling at one temperature.

    Each rising point is compared with a straight line between the two falling points
    about it; places that only one way reached are left out. Where points scatter more
    about the smooth law of both ways than their u tells, u is that scatter. Raises
    DataError when the two ways have no place in common.
    """
    excess = excess_scatter(rising.with_others(falling)) if len(rising) else 1.0
    up, down = at_places(rising), at_places(falling)
    if len(up) < 1 or len(down) < 2:
        raise DataError("hysteresis needs points on the way up and on the way down")
    spare = 0.02 * float(np.ptp(down.at))
    within = (up.at >= down.at[0] - spare) & (up.at <= down.at[-1] + spare)
    if not within.any():
        raise DataError("the ways up and down have no temperature in common")
    up = up.only(within)
    after = np.clip(np.searchsorted(down.at, up.at), 1, len(down) - 1)
    before = after - 1
    share = (up.at - down.at[before]) / (down.at[after] - down.at[before])
    share = np.clip(share, 0.0, 1.0)
    base = (1 - share) * down.offset_ppm[before] + share * down.offset_ppm[after]
    base_u = np.hypot((1 - share) * down.u_ppm[before], share * down.u_ppm[after])
    return largest(
        Points(
            t_s=up.t_s,
            at=up.at,
            offset_ppm=up.offset_ppm - base,
            u_ppm=excess * np.hypot(up.u_ppm, base_u),
            degrees_of_freedom=up.degrees_of_freedom,
        )
    )
