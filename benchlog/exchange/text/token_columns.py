"""Columns of a block of plain lines: where their tokens lie, and decimals at once.

Programs write a column with as many digits behind the point in each line. Such tokens
are read from their octets as a matrix of digits: no text is made of them.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

Octets = NDArray[np.uint8]
Whole = NDArray[np.int64]

DIGITS: Final = b"0123456789.\n"
"""All that plain decimals without a sign have, one a line."""
_POINT: Final = ord(".")
_LINE_END: Final = 0x0A
_ZERO: Final = ord("0")
WHOLE_DIGITS: Final = 18
"""So many digits are a number below 2^63 (derived)."""
EXACT_DIGITS: Final = 15
"""So many significant digits survive a 64-bit float and back (IEEE 754), and sums of
them by powers of ten are exact in any order."""


@dataclass(frozen=True, kw_only=True)
class TokenTable:
    """The tokens of a block, line by line, each of them `width` long.

    `text` is ASCII without a line end at its end; `octets` is the same; `ends` tells
    where each token ends: at a separator, a line end, or the end of the text.
    """

    text: str
    octets: Octets
    ends: Whole
    separator: str
    width: int

    def column(self, at: int) -> "TokenColumn":
        """Return one column."""
        begins = np.append(0, self.ends[:-1] + 1)[at :: self.width]
        return TokenColumn(self, at, begins, self.ends[at :: self.width])

    @cached_property
    def tokens(self) -> list[str]:
        """All tokens as texts."""
        return self.text.replace("\n", self.separator).split(self.separator)


@dataclass(frozen=True, slots=True)
class TokenColumn:
    """A column of a table: token n lies from `begins[n]` up to before `ends[n]`."""

    table: TokenTable
    at: int
    begins: Whole
    ends: Whole

    def __len__(self) -> int:
        return len(self.ends)

    def token(self, number: int) -> str:
        """Return one token as text."""
        return self.table.text[self.begins[number] : self.ends[number]]

    def tokens(self) -> list[str]:
        """Return all tokens as texts."""
        return self.table.tokens[self.at :: self.table.width]

    def some_tokens(self, which: NDArray[np.bool_]) -> Iterator[tuple[int, str]]:
        """Yield number and text of those tokens that are wanted."""
        text, numbers = self.table.text, np.flatnonzero(which)
        begins, ends = self.begins[numbers].tolist(), self.ends[numbers].tolist()
        for number, begin, end in zip(numbers.tolist(), begins, ends, strict=True):
            yield number, text[begin:end]

    def first_octets(self) -> Octets:
        """Return the first octet of each token; none may be empty."""
        return self.table.octets[self.begins]

    def last_octets(self) -> Octets:
        """Return the last octet of each token; none may be empty."""
        return self.table.octets[self.ends - 1]


@dataclass(frozen=True, slots=True)
class Decimals:
    """Numbers without a sign that have equally many digits behind a point.

    `mantissa` is each without its point; `behind` those digits (None: no point there);
    `digits` the most that one has, zeros in front counted.
    """

    mantissa: Whole
    behind: int | None
    digits: int


def decimals_of(column: TokenColumn) -> Decimals | None:
    """Return a column as decimals; None where it is anything else, or too long."""
    lengths = column.ends - column.begins
    longest, shortest = int(lengths.max()), int(lengths.min())
    before, point, rest = column.token(0).partition(".")
    behind = len(rest) if point else None
    if not before or longest - (behind is not None) > WHOLE_DIGITS:
        return None
    if shortest < (1 if behind is None else behind + 2):
        return None
    matrix, is_even = _right_aligned(column, longest), shortest == longest
    if behind is not None:
        at = longest - 1 - behind
        if np.any(matrix[:, at] != _POINT):
            return None
        matrix = np.delete(matrix, at, axis=1)
        lengths, longest = lengths - 1, longest - 1
    digits = matrix - np.uint8(_ZERO)  # what is below wraps round, and is above 9
    if not is_even:
        digits[np.arange(longest) < (longest - lengths)[:, None]] = 0
    if np.any(digits > 9):
        return None
    return Decimals(_mantissa(digits), behind, longest)


def _right_aligned(column: TokenColumn, longest: int) -> Octets:
    """Return the octets that end where the tokens do, `longest` of each: a copy."""
    octets, ends = column.table.octets, column.ends
    if ends[0] < longest:
        octets = np.append(np.zeros(longest, np.uint8), octets)
        ends = ends + longest
    return sliding_window_view(octets, longest)[ends - longest]


def _mantissa(digits: Octets) -> Whole:
    """Return rows of digits, at most 18, as whole numbers."""
    count = digits.shape[1]
    low = _summed(digits[:, max(count - EXACT_DIGITS, 0) :])
    if count <= EXACT_DIGITS:
        return low
    return _summed(digits[:, : count - EXACT_DIGITS]) * 10**EXACT_DIGITS + low


def _summed(digits: Octets) -> Whole:
    powers = 10.0 ** np.arange(digits.shape[1] - 1, -1, -1)
    return (digits.astype(np.float64) @ powers).astype(np.int64)


def points_of(joined: bytes) -> tuple[Whole, Whole, Whole, Whole]:
    """Return of each token where it ends, its length, its points, digits behind them.

    Of a token with two points or more, so many digits that it is no number.
    """
    octets = np.frombuffer(joined + b"\n", np.uint8)
    ends = np.flatnonzero(octets == _LINE_END)
    lengths = np.diff(ends, prepend=-1) - 1
    at = np.flatnonzero(octets == _POINT)
    owner = np.searchsorted(ends, at)
    points = np.bincount(owner, minlength=len(ends))
    behind = np.zeros(len(ends), np.int64)
    behind[owner] = ends[owner] - at - 1
    behind[points > 1] = lengths[points > 1]
    return ends, lengths, points, behind
