"""What a page says, before anybody decides how it looks: sections made of blocks.

Text is plain: what renders it escapes it. What comes from outside (ids, notes, replies)
goes through `units.printable` when a block is made, so control characters show.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from benchlog.pages.logo import Logo
from benchlog.units import iso_utc, printable

if TYPE_CHECKING:
    from matplotlib.figure import Figure


class Outside(str):
    """A text that came from outside: no sign, time or figure in it is rewritten."""

    __slots__ = ()


LONG_WORD = 24  # our rule: longer words may be broken
SHORT_WORD = 12  # our rule: an id like KX-0412-07 stays in one line
_TIME = re.compile(r"\d{4}-\d\d-\d\d \d\d:\d\d(:\d\d)?( UTC)?")


@dataclass(frozen=True, slots=True)
class Facts:
    """Names with what is to be said of each."""

    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table with a caption; `right` has a letter `r` for each column of figures."""

    caption: str
    headers: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    right: str = ""
    note: str = ""

    def is_long(self, cell: str) -> bool:
        """Whether a cell holds a word that may be broken to fit."""
        return any(len(word) > LONG_WORD for word in cell.split())

    def is_whole(self, cell: str) -> bool:
        """Whether a cell reads badly in two lines: a time, a short id."""
        is_short = " " not in cell and len(cell) <= SHORT_WORD
        return is_short or bool(_TIME.fullmatch(cell))

    def is_right(self, column: int) -> bool:
        """Whether a column holds figures."""
        return self.right[column : column + 1] == "r"


@dataclass(frozen=True, slots=True)
class Prose:
    """Paragraphs."""

    paragraphs: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Notice:
    """What must not be overlooked: simulated data, a voided run, a caution."""

    text: str


@dataclass(frozen=True, slots=True)
class Ruling:
    """A verdict or a decision in large letters, and why.

    `word` is `pass`, `fail`, `undecided`, `accepted`, `rejected`, `open` or `none`; it
    chooses the symbol and the colour, which never stand alone.
    """

    word: str
    headline: str
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Chart:
    """A picture with its caption, and the same in words for who cannot see it."""

    caption: str
    alternative: str
    figure: "Figure"


@dataclass(frozen=True, slots=True)
class Signatures:
    """Lines to be signed by hand: who signs for what, and the name where known."""

    rows: tuple[tuple[str, str], ...]


Block = Facts | Table | Prose | Notice | Ruling | Chart | Signatures


@dataclass(frozen=True, slots=True)
class Section:
    """A heading and its blocks; a section of level 3 belongs to the one before it."""

    title: str
    blocks: tuple[Block, ...]
    level: int = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """A whole record: what it is of, when it was made and with what.

    `order` is the customer's number of it, `logo` the picture of whoever made it.
    """

    title: str
    subtitle: str
    made: str
    software: str
    sections: tuple[Section, ...] = field(default=())
    order: str = ""
    logo: Logo | None = None


def facts(rows: Iterable[tuple[str, object]]) -> Facts:
    """Return the rows that have something to say, made printable."""
    said = ((name, printed(value)) for name, value in rows)
    return Facts(tuple((name, value) for name, value in said if value))


def table(
    caption: str,
    headers: Sequence[str],
    rows: Iterable[Sequence[object]],
    right: str = "",
    note: str = "",
) -> Table:
    """Return a table, its cells made printable; an empty cell is a dash."""
    cells = tuple(tuple(printed(cell) or "-" for cell in row) for row in rows)
    return Table(
        caption=caption, headers=tuple(headers), rows=cells, right=right, note=note
    )


def section(title: str, *blocks: Block | None) -> Section:
    """Return a section of those blocks that exist and hold something."""
    kept = tuple(block for block in blocks if block is not None and _is_full(block))
    return Section(title, kept)


def whole_utc(utc_ns: int | None) -> str:
    """Return a moment to the second, `2026-03-01 12:04:30 UTC`; unknown is empty."""
    said = iso_utc(utc_ns)
    return "" if said is None else f"{said[:10]} {said[11:19]} UTC"


def printed(value: object) -> str:
    """Return a value as harmless text; None is empty, line breaks become `/`."""
    if value is None:
        return ""
    text = printable(" / ".join(str(value).splitlines()))
    return Outside(text) if isinstance(value, Outside) else text


def outside(value: object) -> str:
    """Return what people or instruments wrote, to be printed as they wrote it."""
    return Outside("" if value is None else str(value))


def _is_full(block: Block) -> bool:
    if isinstance(block, Facts | Table):
        return bool(block.rows)
    return bool(block.paragraphs) if isinstance(block, Prose) else True
