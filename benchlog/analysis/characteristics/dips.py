"""Activity dips: narrow departures from the smooth law of a device.

A smooth law (`smooth_law.py`) is fitted to the points of all ways. Beside it one bump
at a time is tried: at every place, of several widths. The size of a bump over its
standard uncertainty, from what law and bump leave of the points, is a Student t. The
largest is believed only beyond the quantile that all that were tried exceed together in
half of `FALSE_ALARMS` of devices without any (Bonferroni, both signs; textbook, from
memory); the other half is for noise that is not white and for laws that are not quite
smooth.

Place and width of the largest are then refined between those that were tried, and the
next one is looked for beside it, a little to its side and a little wider: what is left
of a deep dip by half a spacing would be told as dips of their own.

Where none is believed, `least_ppm` tells what would have been: a dip of that depth is
beyond the quantile in 95 % at the worst place. A dip narrower than the spacing of the
points can lie between them, unseen.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.characteristics.points import Points
from benchlog.analysis.characteristics.smooth_law import (
    basis_of,
    law_terms,
    spacing_of,
)
from benchlog.analysis.distributions import student_quantile
from benchlog.errors import DataError

Array = NDArray[np.float64]
FALSE_ALARMS: Final = 0.01
"""Devices without a dip of which one is told; our rule, stated to the user."""
FOUND: Final = 0.95
"""Of the dips that `least_ppm` is of, so many are found; our rule, stated to users."""
_NARROWEST: Final = 0.35
"""Standard deviation of the narrowest bump, in spacings; our rule: one point."""
_WIDEST: Final = (1.4, 1 / 17)
"""Of the widest, in spacings and of the span, whichever is more; our rule: what is
wider is the law's. Between the two each is twice the one before."""
_PROMISED: Final = 0.7
"""Standard deviation of the bump that `least_ppm` is of, in spacings; our rule: the
second of those tried."""
_MOST: Final = 5
"""Dips told of one device, at most; our rule: more is no dip but another law."""
_HALVINGS: Final = 4
"""Our rule: the place is then right to a 32nd of a spacing."""
_AROUND: Final = np.array([0.0, -1.0, 1.0])  # definition: of a step; as it is first
_FEWEST: Final = 4
"""Points more than the law has terms; below that nothing is told; our rule."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Dip:
    """One departure: where, how large (negative is a dip), its 95 % interval's half."""

    at_c: float
    size_ppm: float
    u_ppm: float
    width_c: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DipSearch:
    """What was found, the largest first; where nothing was, how small one could be.

    `least_ppm` is the depth of a dip of standard deviation `width_c` that is found in
    95 % wherever it is, further from the ends of the range than one spacing of points.
    None where dips were found.
    """

    dips: tuple[Dip, ...]
    least_ppm: float | None
    width_c: float

    @property
    def wide_c(self) -> float:
        """Full width of that dip at half its depth."""
        return self.width_c * 2 * math.sqrt(2 * math.log(2))


def activity_dips(points: Points) -> DipSearch:
    """Return the departures that are believed, or how small one could be.

    `points` are by temperature, of one way or several; their times tell which way the
    temperature went. Raises DataError when there are too few for a smooth law.
    """
    search = _Search(points)
    dips = tuple(search.found())
    least_ppm = None if dips else search.least_ppm()
    return DipSearch(dips=dips, least_ppm=least_ppm, width_c=search.promised_c)


class _Search:
    """The points of a device, their law, and the bumps that are tried beside it."""

    def __init__(self, points: Points) -> None:
        self._at, u = points.at, points.u_ppm
        self._weight = 1.0 / np.maximum(u, 1e-12 + 0.01 * u.max())
        self._law = law_terms(points) * self._weight[:, None]
        self._y = points.offset_ppm * self._weight
        needed = basis_of(self._law).shape[1] + _FEWEST
        if len(points) < needed:
            raise DataError(f"activity dips need {needed} points")
        self._spacing = spacing = spacing_of(self._at)
        self.promised_c = _PROMISED * spacing
        self._places = np.unique(np.round(self._at / spacing * 2) / 2) * spacing
        self._inside = self._places[
            (self._places > self._at.min() + spacing)
            & (self._places < self._at.max() - spacing)
        ]
        widths = _widths(spacing, float(np.ptp(self._at)))
        grid = np.meshgrid(widths, self._places, indexing="ij")
        self._width_c, self._place_c = (one.ravel() for one in grid)
        self._bumps = self._shapes(self._place_c, self._width_c)

    def found(self) -> Iterator[Dip]:
        """Yield the dips that are believed; each next one beside those before."""
        terms = self._law
        for _ in range(_MOST):
            tried = _Tried(terms, self._bumps, self._y)
            if tried.freedom < 1:
                return
            top = int(np.argmax(np.abs(tried.t)))
            if abs(tried.t[top]) < self._enough(tried.freedom):
                return
            dip = self._refined(terms, top)
            yield dip
            terms = np.column_stack([terms, self._about(dip).T])

    def _refined(self, terms: Array, top: int) -> Dip:
        """Return the bump that explains most near one of those that were tried."""
        place_c, width_c = float(self._place_c[top]), float(self._width_c[top])
        step_c, factor = self._spacing / 2.0, 2.0
        for _ in range(_HALVINGS):
            step_c, factor = step_c / 2.0, math.sqrt(factor)
            places = np.repeat(place_c + step_c * _AROUND, len(_AROUND))
            widths = np.tile(width_c * factor**_AROUND, len(_AROUND))
            tried = _Tried(terms, self._shapes(places, widths), self._y)
            best = int(np.argmax(np.abs(tried.t)))
            place_c, width_c = float(places[best]), float(widths[best])
        return self._told(
            terms, Dip(at_c=place_c, size_ppm=0.0, u_ppm=0.0, width_c=width_c)
        )

    def _told(self, terms: Array, dip: Dip) -> Dip:
        """Return a dip with its size. That place and width were found is in its U."""
        bell, *moved = self._about(dip)
        tried = _Tried(np.column_stack([terms, *moved]), bell[None], self._y)
        if tried.freedom < 1:
            tried = _Tried(terms, bell[None], self._y)
        u_ppm = student_quantile(tried.freedom, 0.975) * float(tried.u[0])
        return replace(dip, size_ppm=float(tried.size[0]), u_ppm=u_ppm)

    def _about(self, dip: Dip) -> Array:
        """Return a dip's bell and its derivatives by place and width, as weighted."""
        return np.asarray(bell_terms(self._at, dip) * self._weight)

    def least_ppm(self) -> float:
        """Return the depth of which `FOUND` are believed at the worst place."""
        asked = self._shapes(self._inside, np.full(len(self._inside), self.promised_c))
        tried = _Tried(self._law, asked, self._y)
        enough = self._enough(tried.freedom) + student_quantile(tried.freedom, FOUND)
        return enough * float(tried.u.max(initial=0.0))

    def _enough(self, freedom: int) -> float:
        """Return the t beyond which the largest of all bumps is believed."""
        return student_quantile(freedom, 1 - FALSE_ALARMS / 2 / (2 * len(self._bumps)))

    def _shapes(self, place_c: Array, width_c: Array) -> Array:
        """Return bells at places, of widths, as weighted; shape (bumps, n)."""
        away = (self._at - place_c[:, None]) / width_c[:, None]
        return np.asarray(np.exp(-0.5 * away**2) * self._weight)


def bell_terms(at_c: Array, dip: Dip) -> Array:
    """Return a dip's bell at these temperatures and its derivatives, shape (3, n).

    By place and by width: a dip may be a little wider, narrower or beside where it was
    found.
    """
    away = (at_c - dip.at_c) / dip.width_c
    bell = np.exp(-0.5 * away**2)
    return np.stack([bell, away * bell, away**2 * bell])


def _widths(spacing: float, span: float) -> Array:
    """Return the standard deviations of the bumps tried, the narrowest first."""
    narrowest = _NARROWEST * spacing
    widest = max(_WIDEST[0] * spacing, _WIDEST[1] * span)
    doublings = int(np.floor(np.log2(widest / narrowest) + 1e-9))
    return np.asarray(narrowest * 2.0 ** np.arange(doublings + 1))


class _Tried:
    """Each bump beside the law, by least squares: size, standard uncertainty, t.

    What the law leaves of a bump, and of the points; all weighted. A bump of which the
    law leaves nothing has no size, and t is 0.
    """

    def __init__(self, terms: Array, bumps: Array, y: Array) -> None:
        basis = basis_of(terms)
        self.freedom = len(y) - basis.shape[1] - 1
        left = y - basis @ (basis.T @ y)
        shapes = bumps - (bumps @ basis) @ basis.T
        power = np.sum(shapes**2, axis=1)
        seen = power > 1e-9 * np.sum(bumps**2, axis=1)
        power = np.where(seen, power, 1.0)
        self.size = np.where(seen, shapes @ left / power, 0.0)
        rest = np.maximum(left @ left - self.size**2 * power, 1e-300)
        u = np.sqrt(rest / max(self.freedom, 1) / power)
        self.u = np.where(seen, u, np.inf)
        self.t = np.where(seen, self.size / self.u, 0.0)
