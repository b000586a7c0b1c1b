"""The smooth law of a device over temperature: a polynomial, and how its ways differ.

Beside the polynomial of both ways there is one of their difference. After each turn of
the temperature the difference opens anew: hysteresis is a memory of where a device has
been. On a way in the direction `s` a memory goes from where it was towards `s`, by
`exp(-d / D)` in a distance of d; several D together make up any gradual opening (our
rule: Duhem's model of hysteresis with a sum of memories, from memory). The path is
taken from the points, by their time.
"""

import math
from functools import lru_cache
from typing import Final, NamedTuple

import numpy as np
from numpy.polynomial.chebyshev import chebvander
from numpy.typing import NDArray

from benchlog.analysis.characteristics.points import Points

Array = NDArray[np.float64]
_DEGREE: Final = 5
"""Of the smooth law; our rule: a cubic crystal and what compensation leaves of it."""
_BETWEEN: Final = 2
"""Degree of the smooth difference between the ways; our rule."""
_APART: Final = 3.0
"""Distances D, from the spacing of points to `_LONGEST` of the span, are not further
apart than by this factor; our rule: it leaves 1 % of an opening by a D between."""
_FINELY_APART: Final = 2.0
"""The same where more terms do no harm; our rule: it leaves 0.1 % of an opening.
With 3 racks whose hysteresis is 30 times their noise seemed to walk, by 0.4 of their
noise a turn."""
_AFFORDED: Final = 5
"""Points for each term from which on each memory may have begun anywhere, not only the
middle one; our rule: with fewer points dips near the beginning would be lost."""
_LONGEST: Final = 1 / 3
"""Of the span; our rule: beyond it the polynomial of the difference does the same."""
_STAYS: Final = 0.2
"""Of the spacing; a temperature that moved by less has stayed; our rule."""
_COURSES: Final = 8
"""Courses whose terms are kept; our rule: racks are worked out one after the other."""
_INDEPENDENT: Final = 1e-6
"""Of the largest singular value; terms below it are those of others; our rule."""


def law_terms(points: Points) -> Array:
    """Return the terms of the law at each point, shape (n, terms); some may depend on
    others."""
    return np.column_stack([law_of_both(points), ways_apart(points)])


def law_of_both(points: Points) -> Array:
    """Return the terms that both ways share, shape (n, terms)."""
    return np.asarray(chebvander(_within(points.at), _DEGREE), np.float64)


def ways_apart(points: Points) -> Array:
    """Return the terms by which the ways differ, shape (n, terms); from -1 to 1."""
    return _ways_apart(_course_of(points))


@lru_cache(maxsize=_COURSES)
def _ways_apart(course: "_Course") -> Array:
    distances = _distances(course.places, _APART)
    many = len(distances)
    terms = _DEGREE + 1 + _BETWEEN + 1 + many
    if len(course.places) < _AFFORDED * (terms + many):
        return _openings(course, distances, distances[many // 2 : many // 2 + 1])
    return _openings(course, distances, distances)


def any_way_apart(points: Points) -> Array:
    """Return terms for any gradual opening, shape (n, terms): more than a fit affords.

    They are for a law whose terms are bounded in size: what is left of an opening by a
    distance between two of these must not look like a walk.
    """
    return _any_way_apart(_course_of(points))


@lru_cache(maxsize=_COURSES)
def _any_way_apart(course: "_Course") -> Array:
    distances = _distances(course.places, _FINELY_APART)
    return _openings(course, distances, distances)


class _Course(NamedTuple):
    """Places and the order in which a device came to them: alike in all of a rack."""

    at: bytes
    order: bytes

    @property
    def places(self) -> Array:
        return np.frombuffer(self.at, np.float64)


def _course_of(points: Points) -> _Course:
    order = np.argsort(points.t_s, kind="stable")
    at = np.asarray(points.at, np.float64)
    return _Course(at.tobytes(), order.tobytes())


def _distances(at: Array, apart: float) -> Array:
    """Return the distances D of memories, each `apart` times the one before at most."""
    longest = _LONGEST * max(float(np.ptp(at)), 1e-12)
    shortest = min(spacing_of(at), longest)
    many = 1 + math.ceil(math.log(longest / shortest, apart))
    return np.geomspace(shortest, longest, many)


def _openings(course: _Course, kept: Array, begun: Array) -> Array:
    """Return the terms of a difference with these memories, and where they began."""
    path = _Path(course)
    between = chebvander(_within(course.places), _BETWEEN) * path.way[:, None]
    memories = [path.memory(one) for one in kept]
    begins = [path.begun(one) for one in begun]
    found = np.column_stack([between, *memories, *begins])
    found.setflags(write=False)
    return found


def _within(at: Array) -> Array:
    """Return places from -1 to 1."""
    span = max(float(np.ptp(at)), 1e-12)
    return np.asarray(2 * (at - at.min()) / span - 1, np.float64)


def basis_of(terms: Array) -> Array:
    """Return orthonormal columns that span the terms, without those that depend."""
    left, size, _ = np.linalg.svd(terms, full_matrices=False)
    return np.asarray(left[:, size > _INDEPENDENT * size[0]], np.float64)


def spacing_of(at: Array) -> float:
    """Return the usual distance of neighbouring places; 1 where there are none."""
    steps = np.diff(np.sort(at))
    if not len(steps):
        return 1.0
    apart = steps[steps > 0.2 * max(float(steps.max()), 1e-12)]
    return float(np.median(apart)) if len(apart) else 1.0


class _Path:
    """The way that the temperature went through the points; arrays by point."""

    def __init__(self, course: _Course) -> None:
        at, order = course.places, np.frombuffer(course.order, np.intp)
        moved = _moves(at[order], _STAYS * spacing_of(at))
        self._back = np.argsort(order, kind="stable")
        self._moved = moved
        first = np.flatnonzero(moved)
        self._first = float(np.sign(moved[first[0]])) if len(first) else 1.0
        self.way = self.memory(0.0)

    def memory(self, distance_c: float) -> Array:
        """Return a memory, from -1 to 1, that forgets within so many C.

        It begins as if the temperature had come from far the other way.
        """
        now, found = -self._first if distance_c else self._first, []
        kept = np.zeros(len(self._moved))
        if distance_c:
            kept = np.exp(-np.abs(self._moved) / distance_c)
        ways = np.sign(self._moved).tolist()
        for way, left in zip(ways, kept.tolist(), strict=True):
            if way:
                now = way + (now - way) * left
            found.append(now)
        return np.array(found)[self._back]

    def begun(self, distance_c: float) -> Array:
        """Return what is left, on the first way, of where the memory truly began."""
        turned = np.flatnonzero(np.sign(self._moved) == -self._first)
        left = np.exp(-np.abs(np.cumsum(self._moved)) / distance_c)
        left[turned[0] if len(turned) else len(left) :] = 0.0
        return np.asarray(left[self._back], np.float64)


def _moves(at: Array, least_c: float) -> Array:
    """Return by how much each point is away from the last one that moved."""
    moved, last = np.zeros(len(at)), at[0]
    for k, here in enumerate(at):
        if abs(here - last) > least_c:
            moved[k], last = here - last, here
    return moved
