"""Sums of squared phase differences at all octaves, with little more than sums.

At a factor m there are second differences d of the phase, third differences h (of two d
that are m apart), and second differences of the sums of m phases, which are those of
modified Allan. Sums of 2m phases are two sums of m: no running sum, no digits lost.

What is at work stays in the cache. Up to a factor M the phase is gone through in pieces
that reach a little into the next one. From M on only phases whole multiples of M apart
meet: each few columns of the phase, written in rows of M, are a piece of their own, in
which the factor M is a step of one row.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

LONG: Final = 32_768  # our rule: for speed alone; shorter ones take no time anyhow
_PIECE: Final = 8192  # our rule: for speed alone, as `BLOCK` of sums over long arrays
_WIDTH: Final = 8  # our rule: for speed alone; columns that share a line of the cache
_BEFORE: Final = np.triu(np.ones((_WIDTH, _WIDTH)), 1)  # definition: sums of those left


@dataclass(slots=True)
class OctaveSquares:
    """Sums of squares at one octave, of all overlapping differences."""

    allan: float = 0.0
    hadamard: float = 0.0
    modified: float = 0.0


def octave_sums(
    phase: Array, octaves: int, *, only_allan: bool = False
) -> list[OctaveSquares]:
    """Return the sums of squares at the factors 1, 2, 4 ... 2^(octaves - 1).

    Parameters
    ----------
    phase : array, shape (n,)
        Gapless, best without its straight line; any unit. `modified` is of sums of m
        phases, not of their means.
    octaves : int
        At least one; an octave that is too long for the data has sums of zero.
    only_allan : bool
        Leave the others out (zero).

    """
    found = [OctaveSquares() for _ in range(octaves)]
    near = max(1, octaves // 2)
    _near_factors(phase, found[:near], only_allan=only_allan)
    if octaves > near:
        _far_factors(phase, found[near:], 1 << near, only_allan=only_allan)
    return found


def _near_factors(
    phase: Array, found: list[OctaveSquares], *, only_allan: bool
) -> None:
    most = 1 << (len(found) - 1)
    piece = max(_PIECE, 4 * most)
    scratch = _Scratch(piece + 3 * most)
    for start in range(0, len(phase), piece):
        some = phase[start : start + piece + 3 * most]
        sums = some[:0] if only_allan else some
        scratch.add_octaves(some, sums, 1, piece, found)


def _far_factors(
    phase: Array, found: list[OctaveSquares], m: int, *, only_allan: bool
) -> None:
    scratch = _Scratch(_WIDTH * (len(phase) // m + 1))
    pieces = _columns(phase, m) if only_allan else _summed_columns(phase, m)
    for some, sums, width in pieces:
        scratch.add_octaves(some.ravel(), sums.ravel(), width, len(phase), found)


class _Scratch:
    """Arrays that one piece after the other is worked on in."""

    def __init__(self, size: int) -> None:
        self._first, self._second = np.empty(size), np.empty(size)
        self._sums = np.empty(size), np.empty(size)

    def add_octaves(
        self,
        phase: Array,
        sums: Array,
        step: int,
        starts: int,
        found: list[OctaveSquares],
    ) -> None:
        """Add the squares of one piece at steps of `step` places, and twice that, ...

        Of differences those count that begin at the first `starts` places. `sums` are
        of as many phases as the first step is long; empty where none are wanted.
        """
        wanted = len(sums) > 0
        for at, one in enumerate(found):
            apart = step << at
            if at and wanted:
                half, room = apart // 2, self._sums[at % 2]
                ahead, behind = sums[half:], sums[: max(0, len(sums) - half)]
                sums = np.add(ahead, behind, out=room[: len(ahead)])
            second = self._seconds(phase, apart, starts + apart * wanted)
            some = second[:starts]
            one.allan += float(some @ some)
            if wanted:
                third = _apart(second, apart, starts, self._first)
                one.hadamard += float(third @ third)
                moved = self._seconds(sums, apart, starts)
                one.modified += float(moved @ moved)

    def _seconds(self, values: Array, apart: int, most: int) -> Array:
        """Return the first `most` second differences, in an array used again."""
        first = _apart(values, apart, most + apart, self._first)
        return _apart(first, apart, most, self._second)


def _apart(values: Array, apart: int, most: int, room: Array) -> Array:
    """Return the first `most` differences of values `apart` places apart."""
    n = min(most, max(0, len(values) - apart))
    return np.subtract(values[apart : apart + n], values[:n], out=room[:n])


def _columns(phase: Array, m: int) -> Iterator[tuple[Array, Array, int]]:
    """Yield a few columns of the phase in rows of m, no sums, and how many columns.

    The last row may be short; columns with that row and those without it are apart.
    """
    rows, rest = divmod(len(phase), m)
    whole, last = phase[: rows * m].reshape(rows, m), phase[rows * m :]
    room, nothing = np.empty(_WIDTH * (rows + 1)), phase[:0]
    for left, right in pairwise(_edges(m, rest)):
        width = right - left
        high = rows + (left < rest)
        some = room[: high * width].reshape(high, width)
        some[:rows] = whole[:, left:right]
        some[rows:] = last[left:right] if left < rest else 0.0
        yield some, nothing, width


def _edges(m: int, rest: int) -> list[int]:
    """Return where columns are cut: before the first without a last row, and after."""
    with_last, without = range(0, rest, _WIDTH), range(rest + 1, m, _WIDTH)
    return [*with_last, rest, *without, m]


def _summed_columns(phase: Array, m: int) -> Iterator[tuple[Array, Array, int]]:
    """Yield as `_columns` does, with the sum of m phases from each place on.

    A sum moves on by what comes in less what goes out; it is carried from column to
    column as two doubles, so that moving it loses no digits.
    """
    rows = len(phase) // m
    high, low = phase[: rows * m].reshape(rows, m).sum(axis=1), np.zeros(rows)
    room = np.empty(_WIDTH * (rows + 1))
    for some, _, width in _columns(phase, m):
        moves = np.diff(some, axis=0)
        n = len(moves)
        sums = room[: len(high) * width].reshape(len(high), width)
        np.matmul(moves, _BEFORE[:width, :width], out=sums[:n])
        sums[n:] = 0.0  # a sum that ends with the phase: of one column, not moved
        gained = sums[:n, -1] + moves[:, -1]
        sums += high[:, None]
        yield some, sums, width
        high, low = _two_sum(high[:n], low[:n], gained)


def _two_sum(high: Array, low: Array, more: Array) -> tuple[Array, Array]:
    """Add to sums that are kept as two doubles (Knuth's two-sum, elementwise)."""
    total = high + more
    gained = total - high
    low = low + ((high - (total - gained)) + (more - gained))
    found = total + low
    return found, low - (found - total)
