"""Blocks of plain lines as arrays: a tenth of the time that one by one would take.

A block is plain when each of its lines has as many columns as the others, no quotes and
no comment, and what is read of it is plain decimal numbers or times. The very functions
that read one line then give the same values here, or sums in whole numbers that are
exact. Whatever else a block holds is left to `text_rows`, line by line, so that which
lines are refused, and why, is decided there alone.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.exchange.file_limits import FileLimits
from benchlog.exchange.text.foreign_numbers import number_of
from benchlog.exchange.text.layout import Layout
from benchlog.exchange.text.plain_times import stamps_ns
from benchlog.exchange.text.token_columns import (
    EXACT_DIGITS,
    Decimals,
    Octets,
    TokenColumn,
    TokenTable,
    Whole,
    decimals_of,
)
from benchlog.exchange.text_lines import Block
from benchlog.units import LONGEST_NUMBER

_TEXT: Final = bytes(range(0x20, 0x7F)) + b"\t\n"
_NUMBERS: Final = b"0123456789+-.eE\n"
_COMMENTS: Final = np.frombuffer(b"#%/!;*", np.uint8)
_COMMENT_BEHIND_TABS: Final = re.compile(r"^\t[\t ]*[#%/!;*]", re.MULTILINE)
"""White space in front of a comment, where it parts columns as well."""
_LINE_END: Final = 0x0A

Real = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlainLines:
    """What each line of a block says: arrays of equal length.

    `number` is in the base unit (Hz or 1), `written` the number as its token of `data`
    has it, `decimals` the same where all are alike; `ambient_c` is NaN where a line has
    none.
    """

    data: TokenColumn
    decimals: Decimals | None
    written: Real
    number: Real
    stamp_ns: Whole | None
    ambient_c: Real | None

    def __len__(self) -> int:
        return len(self.data)


def plain_lines(block: Block, layout: Layout, limits: FileLimits) -> PlainLines | None:
    """Return what the lines of a block say; None where they are not all plain."""
    if layout.grouping is not None or layout.day is not None or layout.unit is not None:
        return None
    table = _table(block, layout, limits)
    if table is None:
        return None
    data = table.column(layout.data)
    decimals = decimals_of(data)
    written = _written(data, decimals, decimal_comma=layout.decimal_comma)
    if written is None:
        return None
    stamps = None
    if layout.time is not None and layout.kind is not None:
        stamps = stamps_ns(table.column(layout.time), layout)
        if stamps is None:
            return None
    ambient = None
    if layout.ambient is not None and layout.ambient < table.width:
        ambient = _ambient(table.column(layout.ambient), layout)
    with np.errstate(over="ignore"):  # what is beyond all numbers is refused later
        number = written * layout.scale
    return PlainLines(
        data=data,
        decimals=decimals,
        written=written,
        number=number,
        stamp_ns=stamps,
        ambient_c=ambient,
    )


def _table(block: Block, layout: Layout, limits: FileLimits) -> TokenTable | None:
    text = block.text.removesuffix("\n")
    if not text.isascii() or '"' in text or block.has_longer(limits.characters):
        return None
    separator = layout.separator or " "
    if separator != "\t" and "\t" in text:
        if layout.separator:
            return None
        text = text.replace("\t", " ")
    text = _unpadded(text, separator)
    if separator == "\t" and _comments_behind_tabs(text):
        return None
    encoded = text.encode()
    if encoded.translate(None, _TEXT):
        return None
    octets = np.frombuffer(encoded, np.uint8)
    is_end = octets == _LINE_END
    cuts = np.flatnonzero(is_end | (octets == ord(separator)))
    width = _width(octets, is_end, cuts)
    if not max(layout.data, layout.time or 0) < width <= limits.columns:
        return None
    return TokenTable(
        text=text,
        octets=octets,
        ends=np.append(cuts, len(octets)),
        separator=separator,
        width=width,
    )


def _comments_behind_tabs(text: str) -> bool:
    if not text.startswith("\t") and "\n\t" not in text:
        return False
    return _COMMENT_BEHIND_TABS.search(text) is not None


def _unpadded(text: str, separator: str) -> str:
    """Return a text without blanks around its columns."""
    if " " not in text:
        return text
    ends: tuple[str, ...] = ("\n", separator)
    if separator == " ":
        ends = ("\n",)
        while "  " in text:  # halves each run of them
            text = text.replace("  ", " ")
    width = 1  # those within a column stay: `1  000` is no number, `1 000` is one
    while " " * (2 * width) in text:
        width *= 2
    while width:
        blanks = " " * width
        for end in ends:
            text = text.replace(blanks + end, end).replace(end + blanks, end)
        width //= 2
    return text.strip(" ")


def _width(octets: Octets, is_end: NDArray[np.bool_], cuts: Whole) -> int:
    """Return the columns of each line; 0 where they differ or a line is a comment."""
    lines = int(np.count_nonzero(is_end)) + 1
    width, left = divmod(len(cuts) + 1, lines)
    if left or not len(octets):
        return 0
    begins = cuts[width - 1 :: width]
    if not np.all(is_end[begins]) or len(begins) != lines - 1:
        return 0
    firsts = octets[np.minimum(np.append(0, begins + 1), len(octets) - 1)]
    return 0 if np.isin(firsts, _COMMENTS).any() else width


def _written(
    column: TokenColumn, decimals: Decimals | None, *, decimal_comma: bool
) -> Real | None:
    """Return a column as numbers; None unless all are plain decimal ones.

    A whole number and a power of ten that a float holds exactly give the float that is
    nearest to their quotient (IEEE 754), as the text would.
    """
    if decimals is None or decimal_comma or decimals.digits > EXACT_DIGITS:
        return _numbers(column.tokens(), decimal_comma=decimal_comma)
    return decimals.mantissa / 10.0 ** (decimals.behind or 0)


def _numbers(tokens: Sequence[str], *, decimal_comma: bool) -> Real | None:
    """Return tokens as numbers; None unless all are plain decimal ones."""
    joined = "\n".join(tokens)
    if decimal_comma:
        if "." in joined:  # groups of digits
            return None
        joined = joined.replace(",", ".")
        tokens = joined.split("\n")
    if joined.encode().translate(None, _NUMBERS):
        return None
    if len(max(tokens, key=len)) > LONGEST_NUMBER:
        return None
    try:
        found = np.fromiter(map(float, tokens), np.float64, len(tokens))
    except ValueError:
        return None
    return found if bool(np.all(np.isfinite(found))) else None


def _ambient(column: TokenColumn, layout: Layout) -> Real:
    is_comma = layout.decimal_comma
    found = _written(column, decimals_of(column), decimal_comma=is_comma)
    if found is not None:
        return found
    each = (number_of(one, decimal_comma=is_comma) for one in column.tokens())
    return np.array([np.nan if one is None else one for one in each], np.float64)
