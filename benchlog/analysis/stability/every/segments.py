"""Phase, or its sum, without what is slower than a segment; no digit is lost.

A sum of products errs in proportion to the squares of what is multiplied. That must not
be much larger than the differences in question. The data are cut into segments, and a
polynomial that differences of that order do not see is taken off each. From segment to
segment the polynomial jumps; `jump_terms.py` puts right the differences that reach
across.
"""

from dataclasses import dataclass
from math import comb
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.stability.every.lagged_products import UNIT
from benchlog.analysis.stability.every.straightening import few_digits

Array = NDArray[np.float64]

_SUM_UNIT: Final = float(np.finfo(np.longdouble).eps) / 2.0  # definition


@dataclass(frozen=True, slots=True, kw_only=True)
class Remainders:
    """What is left, and how the polynomials jump.

    Parameters
    ----------
    values : array, shape (n,)
        One after the other, n + 1 of a sum.
    length : int
        Values of a segment; the last one has what is left over, too.
    jumps : array, shape (segments - 1, order)
        Polynomial after minus before each boundary, by powers of (values after the
        boundary) / `length`.
    error : float
        How far `values` may be off, as the root of a sum of squares.

    """

    values: Array
    length: int
    jumps: Array
    error: float


def remainders(phase: Array, order: int, length: int, margin: int) -> Remainders:
    """Take a polynomial of degree `order` - 1 off each segment of the phase.

    `margin` is how many values the last segment has at least.
    """
    parts, slopes = _straightened(phase, length, margin)
    rise = np.zeros((len(slopes) - 1, order))
    rise[:, 0] = _next_values(parts)
    rise[:, 1] = np.diff(slopes) * length
    return _without_polynomials(_inner(parts), rise, length, 0.0)


def summed_remainders(phase: Array, order: int, length: int, margin: int) -> Remainders:
    """Do the same with the running sum of the phase, without ever forming it."""
    parts, slopes = _straightened(phase, length, margin)
    inner = _inner(parts)
    means = [rows.mean(axis=1) for rows in inner]
    sums = [
        _row_sums(rows - mean[:, None]) for rows, mean in zip(inner, means, strict=True)
    ]
    sizes = [np.sqrt(rows.shape[1]) * np.abs(rows).sum(axis=1) for rows in inner]
    error = 2.0 * _SUM_UNIT * float(np.linalg.norm(np.concatenate(sizes)))
    bend = np.diff(slopes)
    rise = np.zeros((len(bend), order))
    if len(bend):
        rise[:, 0] = sums[0][:, -1]
        level = _next_values(parts) + np.diff(np.concatenate(means))
        rise[:, 1] = (level - bend / 2.0) * length
        rise[:, 2] = bend / 2.0 * length**2
    return _without_polynomials(_inner(sums), rise, length, error)


def _straightened(phase: Array, length: int, margin: int) -> tuple[list[Array], Array]:
    """Return segments without first value and slope, and the slopes.

    Segments are rows, each with the value that follows it; the last one is apart.
    """
    whole = max(0, (len(phase) - margin) // length)
    parts = [phase[None, whole * length :]]
    if whole:
        windows = np.lib.stride_tricks.sliding_window_view(phase, length + 1)
        parts.insert(0, windows[: whole * length : length])
    flat, slopes = zip(*map(_without_slope, parts), strict=True)
    return list(flat), np.concatenate(slopes)


def _without_slope(rows: Array) -> tuple[Array, Array]:
    """Take the first value and the slope off each row, to the last digit.

    The slope has so few digits that its products with 0, 1, 2 ... are exact. The
    difference of two doubles then errs by half a unit of its own last digit.
    """
    out = rows - rows[:, :1]
    width = rows.shape[1]
    if width < 2:
        return out, np.zeros(len(rows))
    t = np.arange(float(width))
    centred = t - t.mean()
    slopes = out @ (centred / (centred @ centred))
    slopes = few_digits(slopes, t[-1])
    out -= slopes[:, None] * t
    return out, slopes


def _inner(parts: list[Array]) -> list[Array]:
    """Return the rows without the value that follows them."""
    return [rows[:, :-1] for rows in parts[:-1]] + parts[-1:]


def _next_values(parts: list[Array]) -> Array:
    return parts[0][:, -1] if len(parts) > 1 else np.zeros(0)


def _row_sums(rows: Array) -> Array:
    sums = np.zeros((len(rows), rows.shape[1] + 1))
    sums[:, 1:] = np.cumsum(rows, axis=1, dtype=np.longdouble)
    return sums


def _without_polynomials(
    inner: list[Array], rise: Array, length: int, error: float
) -> Remainders:
    """Fit each row and take that off; `rise` is how the rows jump by now."""
    order = rise.shape[1]
    kept, fitted = [], []
    for rows in inner:
        coefficients, powers = _polynomials(rows, order, length)
        error += 4.0 * UNIT * float(np.linalg.norm(rows))
        kept.append((rows - coefficients @ powers).ravel())
        fitted.append(coefficients)
    polynomials = np.concatenate(fitted)
    jumps = rise + polynomials[1:] - _moved_on(polynomials[:-1])
    return Remainders(
        values=np.concatenate(kept), length=length, jumps=jumps, error=error
    )


def _polynomials(rows: Array, order: int, length: int) -> tuple[Array, Array]:
    """Fit each row; return coefficients of (place / `length`)^i, and those powers."""
    place = np.arange(float(rows.shape[1])) / length
    powers = place ** np.arange(order)[:, None]
    middle = float(place.mean())
    line = place - middle  # orthogonal to a constant, and the curve to both
    spread = float(np.mean(line * line))
    found = np.zeros((len(rows), order))
    found[:, 0] = rows.mean(axis=1)
    if order > 1 and spread:
        slope = rows @ line / (line @ line)
        found[:, 0] -= slope * middle
        found[:, 1] = slope
    curve = line * line - spread
    if order > 2 and (curve @ curve):
        bend = rows @ curve / (curve @ curve)
        found += bend[:, None] * (middle * middle - spread, -2.0 * middle, 1.0)
    return found, powers


def _moved_on(polynomials: Array) -> Array:
    """Return the polynomials by powers of the place after the end of their segment."""
    order = polynomials.shape[1]
    shift = np.array([[comb(i, j) for j in range(order)] for i in range(order)], float)
    return np.asarray(polynomials @ shift)
