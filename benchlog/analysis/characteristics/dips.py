"""Activity dips: narrow departures from the smooth law of a device.

A smooth law is fitted to all points of both ways, with a difference between the ways
that is smooth, too. Beside it one bump at a time is tried: at every place, of several
widths. The size of a bump over its standard uncertainty is a Student t; the largest is
believed only beyond the quantile that all that were tried exceed together in half of
`FALSE_ALARMS` of devices without any (Bonferroni); the other half is for noise that is
not white. A dip narrower than the spacing of the
points can lie between them, unseen.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from benchlog.analysis.characteristics.points import Points
from benchlog.errors import DataError

Array = NDArray[np.float64]
FALSE_ALARMS: Final = 0.01
"""Devices without a dip of which one is told; our rule, stated to the user."""
_DEGREE: Final = 5
"""Of the smooth law; our rule: a cubic crystal and what compensation leaves of it."""
_BETWEEN: Final = 2
"""Degree of the smooth difference between the ways; our rule."""
_WIDTHS: Final = (0.35, 0.7, 1.4)
"""Standard deviations of the bumps tried, in spacings of points; our rule: from one
point to about five."""
_MOST: Final = 5
"""Dips told of one device, at most; our rule: more is no dip but another law."""
_FEWEST: Final = 4
"""Points more than the law has terms; below that nothing is told; our rule."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Dip:
    """One departure: where, how large (negative is a dip), its 95 % interval's half."""

    at_c: float
    size_ppm: float
    u_ppm: float
    width_c: float


def activity_dips(points: Points, rising: NDArray[np.bool_]) -> tuple[Dip, ...]:
    """Return the departures that are believed, the largest first.

    Parameters
    ----------
    points : Points
        By temperature, of one way or both.
    rising : array of bool, shape (n,)
        Which were measured on the way up.

    Raises DataError when there are too few points for a smooth law.

    """
    design = _smooth(points.at, rising)
    if len(points) < design.shape[1] + _FEWEST:
        raise DataError(f"activity dips need {design.shape[1] + _FEWEST} points")
    spacing = _spacing(points.at)
    places = np.unique(np.round(points.at / spacing * 2) / 2) * spacing
    bumps = [
        (place, width * spacing, _bump(points.at, place, width * spacing))
        for width in _WIDTHS
        for place in places
    ]
    weight = 1.0 / np.maximum(points.u_ppm, 1e-12 + 0.01 * points.u_ppm.max())
    rate = FALSE_ALARMS / 2 / (2 * len(bumps))
    found: list[Dip] = []
    while len(found) < _MOST:
        tried = [_tried(design, bump, points.offset_ppm, weight) for *_, bump in bumps]
        strongest = max(range(len(bumps)), key=lambda at: abs(tried[at][2]))
        size, u, t, freedom = tried[strongest]
        if freedom < 1 or abs(t) < stdtrit(freedom, 1 - rate):
            break
        place, width, bump = bumps[strongest]
        half = float(stdtrit(freedom, 0.975)) * u
        found.append(Dip(at_c=place, size_ppm=size, u_ppm=half, width_c=width))
        design = np.column_stack([design, bump])  # the next one is looked for beside it
    return tuple(found)


def _smooth(at: Array, rising: NDArray[np.bool_]) -> Array:
    """Return the columns of the smooth law: a polynomial, and the ways' difference."""
    low, high = float(at.min()), float(at.max())
    x = 2 * (at - low) / max(high - low, 1e-12) - 1
    columns: Array = np.polynomial.chebyshev.chebvander(x, _DEGREE).astype(np.float64)
    if rising.all() or not rising.any():
        return columns
    way = np.where(rising, 0.5, -0.5)[:, None]
    between = np.polynomial.chebyshev.chebvander(x, _BETWEEN) * way
    return np.column_stack([columns, between])


def _spacing(at: Array) -> float:
    """Return the usual distance of neighbouring places."""
    steps = np.diff(np.sort(at))
    apart = steps[steps > 0.2 * max(float(steps.max()), 1e-12)]
    return float(np.median(apart)) if len(apart) else 1.0


def _bump(at: Array, place: float, width: float) -> Array:
    return np.asarray(np.exp(-0.5 * ((at - place) / width) ** 2))


def _tried(
    design: Array, bump: Array, y: Array, weight: Array
) -> tuple[float, float, float, int]:
    """Return a bump's size, its standard uncertainty, t, and degrees of freedom.

    Least squares by QR of the law, then of what the law leaves of bump and points.
    """
    basis, _ = np.linalg.qr(design * weight[:, None])
    left_bump, left = bump * weight, y * weight
    left_bump = left_bump - basis @ (basis.T @ left_bump)
    left = left - basis @ (basis.T @ left)
    power = float(left_bump @ left_bump)
    freedom = len(y) - design.shape[1] - 1
    if power < 1e-9 * float((bump * weight) @ (bump * weight)) or freedom < 1:
        return 0.0, np.inf, 0.0, freedom
    size = float(left_bump @ left) / power
    rest = left - size * left_bump
    u = float(np.sqrt(max(float(rest @ rest), 1e-300) / freedom / power))
    return size, u, size / u, freedom
