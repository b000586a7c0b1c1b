"""Changes from a reference, and the largest of them: over temperature, supply, load.

The largest of several noisy figures is larger than the largest of what they stand
for. The interval of the largest takes that into account at both ends. Below, each
figure that is about as large has its share of the risk (Bonferroni; textbook, from
memory). Above, it is missed only if all of them fall short together.

What is about as large is told by the noisy figures alone. Where one of many stands out
by three times their noise, that is told too late: one of 25 by 3 u is held in 84 %.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.characteristics.points import Found, Points
from benchlog.analysis.characteristics.sweep import place_means
from benchlog.errors import DataError

Array = NDArray[np.float64]
_NEARNESS: Final = (2.0, 8.0)
"""How fast a figure below the largest stops to count as about as large, for the upper
and the lower end; our rule. tests/analysis/characteristics/test_largest.py holds that
in no case fewer than 90 % hold."""
_SURE: Final = 0.975  # definition: of one end of a 95 % interval
_ONE_SIGMA: Final = 0.8413447460685429  # definition: of a normal distribution


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
    times = reference.t_s[order]
    after = np.clip(np.searchsorted(times, points.t_s), 1, max(1, len(times) - 1))
    before = np.minimum(after, len(times)) - 1
    after = np.minimum(after, len(times) - 1)
    lasted = times[after] - times[before]
    share = (points.t_s - times[before]) / np.where(lasted > 0, lasted, 1.0)
    share = np.clip(share, 0.0, 1.0)
    n, each = len(points), np.arange(len(points))
    weights = np.zeros((n, n + len(reference)))
    weights[each, each] = 1.0
    weights[each, n + order[before]] -= 1 - share
    weights[each, n + order[after]] -= share
    both = points.with_others(reference)
    return replace(
        points,
        offset_ppm=weights @ both.offset_ppm,
        u_ppm=both.u_of(weights),
        flicker_ppm=0.0,
    )


def largest(changes: Points, unit: str = "ppm") -> Found:
    """Return the largest change either way, as a magnitude, with its interval.

    Raises DataError when there is no change at all.
    """
    if not len(changes):
        raise DataError("nothing was measured away from the reference")
    value, u, top = largest_of(np.abs(changes.offset_ppm), changes.reach)
    return Found(value=value, u=u, unit=unit, at=float(changes.at[top]))


def largest_of(
    size: Array, reach: Callable[[float], Array], alike: Array | None = None
) -> tuple[float, float, int]:
    """Return the largest size, half its 95 % interval, and which it is.

    Parameters
    ----------
    size : array, shape (n,)
    reach : callable
        Returns the quantile, for a probability above a half, of each size's error.
    alike : array, shape (n, n)
        Correlation of the errors; none by default. Errors that are alike are one.

    The value is the middle of the interval.
    tests/analysis/characteristics/test_largest.py holds how often it is right where
    one, several or none stand out.

    """
    top = int(np.argmax(size))
    u = np.maximum(reach(_ONE_SIGMA), np.finfo(np.float64).tiny)
    apart = (size[top] - size) / u
    several, near = (_count(np.exp(-(apart**2) / k), alike) for k in _NEARNESS)
    low = float(np.max(size - reach(1 - (1 - _SURE) / near)))
    rate = (1 - _SURE) ** (1 / math.sqrt(several))
    high = float(np.max(size + reach(1 - rate)))
    low = max(0.0, low)
    high = max(low, high)
    return (low + high) / 2, (high - low) / 2, top


def _count(share: Array, alike: Array | None) -> float:
    """Return how many count, each by its share; those that err together are one."""
    count = float(share.sum())
    if alike is None or len(share) < 2:
        return count
    pairs = np.outer(share, share)
    np.fill_diagonal(pairs, 0.0)
    both = float(pairs.sum())
    together = float((pairs * np.clip(alike, 0.0, 1.0)).sum()) / both if both else 0.0
    return 1 + (count - 1) * (1 - together)


def steepest(points: Points, way: Sequence[int] = ()) -> Found:
    """Return the steepest slope between neighbouring places, as a magnitude.

    Points at one place (nearer than a hundredth of the whole span) are taken together.
    Where it is known on which way each point was (`Sweep.way`), neighbours on a way are
    compared, and of several ways the mean counts: by half of the hysteresis a place
    that one way alone reached differs from one that both did. A place that no way has
    a neighbour of is compared as it is.

    Raises DataError for fewer than two places.
    """
    means = place_means(points.at)
    if len(means) < 2:
        raise DataError("a slope needs points at two places at least")
    ways = np.asarray(way) if len(way) else np.zeros(len(points), np.int64)
    steps = _steps(means > 0, ways)
    apart = steps @ points.at
    middle = np.abs(steps) / 2.0
    slopes = Points(
        t_s=middle @ points.t_s,
        at=middle @ points.at,
        offset_ppm=steps @ points.offset_ppm / apart,
        u_ppm=points.u_of(steps / apart[:, None]),
        degrees_of_freedom=points.degrees_of_freedom,
    )
    return largest(slopes, "ppm/C")


def _steps(members: NDArray[np.bool_], way: NDArray[np.int64]) -> Array:
    """Return what a place has more than its lower neighbour, as weights, shape (k, n).

    `members`, shape (places, n), tells which points are at each place.
    """
    found: dict[tuple[int, int], list[Array]] = {}
    for one in np.unique(way):
        reached = members & (way == one)
        for pair in pairwise(np.flatnonzero(reached.any(axis=1)).tolist()):
            found.setdefault(pair, []).append(_difference(reached, *pair))
    compared = {place for pair in found for place in pair}
    for pair in pairwise(range(len(members))):
        if not compared.issuperset(pair):
            found[pair] = [_difference(members, *pair)]
    return np.array([np.mean(found[pair], axis=0) for pair in sorted(found)])


def _difference(members: NDArray[np.bool_], first: int, last: int) -> Array:
    """Return the mean of the last place less that of the first, as weights."""
    means = members / np.maximum(members.sum(axis=1, keepdims=True), 1)
    return np.asarray(means[last] - means[first])


def at_places(points: Points) -> Points:
    """Return one point a place, by rising place: the mean of those measured there.

    Places nearer to each other than a hundredth of the span are one.
    """
    means = place_means(points.at)
    return replace(
        points,
        t_s=means @ points.t_s,
        at=means @ points.at,
        offset_ppm=means @ points.offset_ppm,
        u_ppm=np.sqrt((means**2) @ points.u_ppm**2),
    )
