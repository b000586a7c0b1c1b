"""Text in letters as large as there is room for, made of block characters; pure.

A cell of the terminal is two dots wide and two high (quadrants of the Block Elements,
U+2580 to U+259F), so a letter of seven rows is three and a half lines high at least.
"""

import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from benchlog.screen.inspection.letter_shapes import ROWS, SHAPES, UNKNOWN

LEAST_LINES: Final = 4
"""Lines that the smallest letters take, the gap under them included."""
_ACROSS, _DOWN = 2, 2  # dots of a cell
_CELLS: Final = " ▘▝▀▖▌▞▛▗▚▐▜▄▙▟█"
"""By which dots are set: upper left 1, upper right 2, lower left 4, lower right 8."""
_WIDEST: Final = 2
"""A dot is at most so many times as wide as it is high, in dots of a cell; a cell is
about half as wide as high, so this is a square."""
_MORE: Final = "…"


@dataclass(frozen=True, slots=True)
class LetterSize:
    """How many dots of a cell one dot of a shape takes, across and down."""

    across: int
    down: int

    @property
    def lines(self) -> int:
        """Lines of the terminal that letters take, with a gap of half a line or one."""
        return ROWS * self.down // _DOWN + 1


def block_letters(text: str, width: int, height: int) -> list[str]:
    """Return text as `height` lines of `width` cells at most, as large as it goes.

    Text that does not fit in the smallest letters is shortened in the middle. No lines
    where not even that fits.
    """
    if height < LEAST_LINES:
        return []
    shown = shortened(text, width)
    size = largest(shown, width, height)
    return [] if size is None else _drawn(shown, size)


def stacked(texts: Sequence[str], width: int, height: int) -> list[list[str]]:
    """Return texts under one another as large as they go, each as its lines.

    The first ones come first: they are drawn where not all of them can be, and grow
    first where there is room for one to grow. Those that are not drawn have no lines.
    """
    shown = [shortened(text, width) for text in texts]
    sizes = [1 if text else 0 for text in shown]
    while sum(map(_lines, sizes)) > height and any(sizes):
        sizes[max(n for n, size in enumerate(sizes) if size)] = 0
    growing = [n for n, size in enumerate(sizes) if size]
    while growing:
        first = min(growing, key=lambda n: (sizes[n], n))
        taller = [size + (n == first) for n, size in enumerate(sizes)]
        fits = sum(map(_lines, taller)) <= height
        if fits and taller[first] * dots_across(shown[first]) <= width * _ACROSS:
            sizes = taller
        else:
            growing.remove(first)
    return [
        block_letters(text, width, _lines(size)) if size else []
        for text, size in zip(shown, sizes, strict=True)
    ]


def shortened(text: str, width: int) -> str:
    """Return text whose smallest letters fit `width` cells; its middle is left out."""
    room = width * _ACROSS
    if dots_across(text) <= room:
        return text
    for kept in range(len(text) - 1, 0, -1):
        tail = kept // 2
        short = text[: kept - tail] + _MORE + text[len(text) - tail :]
        if dots_across(short) <= room:
            return short
    return ""


def largest(text: str, width: int, height: int) -> LetterSize | None:
    """Return the largest letters in which text fits; None where none do.

    Letters are as high as the height allows but never narrower than half a cell for a
    cell's height, and never wider than square dots.
    """
    dots = dots_across(text)
    across = width * _ACROSS // dots if dots else 0
    down = min(across, next(d for d in range(height, -1, -1) if _lines(d) <= height))
    return LetterSize(min(across, _WIDEST * down), down) if down else None


def dots_across(text: str) -> int:
    """Return the dots that text is wide, a dot between letters included."""
    return sum(len(_shape(letter)[0]) + 1 for letter in text) - 1 if text else 0


def _lines(down: int) -> int:
    return LetterSize(1, down).lines if down else 0


def _shape(letter: str) -> list[str]:
    """Return the rows of a letter; an accent is left out where it has no shape."""
    plain = unicodedata.normalize("NFD", letter)[:1]
    return SHAPES.get(letter, SHAPES.get(plain, UNKNOWN)).split("|")


def _drawn(text: str, size: LetterSize) -> list[str]:
    shapes = [_shape(letter) for letter in text]
    rows = []
    for row in range(ROWS):
        dots = ".".join(shape[row] for shape in shapes)
        wide = "".join(dot * size.across for dot in dots)
        rows += [wide + "." * (len(wide) % _ACROSS)] * size.down
    rows += ["." * len(rows[0])] * (size.lines * _DOWN - len(rows))
    return [_line(*rows[n : n + _DOWN]) for n in range(0, len(rows), _DOWN)]


def _line(upper: str, lower: str) -> str:
    """Return a line of cells out of two rows of dots."""
    cells = []
    for n in range(0, len(upper), _ACROSS):
        dots = upper[n : n + _ACROSS] + lower[n : n + _ACROSS]
        cells.append(
            _CELLS[sum(1 << bit for bit, dot in enumerate(dots) if dot == "#")]
        )
    return "".join(cells).rstrip()
