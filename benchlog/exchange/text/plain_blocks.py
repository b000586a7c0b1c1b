"""Blocks of plain lines as arrays: a tenth of the time that one by one would take.

A block is plain when each of its lines has as many columns as the others, no quotes and
no comment, and what is read of it is plain decimal numbers or times. The very functions
that read one line then give the same values here, or sums in whole numbers that are
exact. Whatever else a block holds is left to `text_rows`, line by line, so that which
lines are refused, and why, is decided there alone.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.exchange.file_limits import FileLimits
from benchlog.exchange.text.foreign_numbers import number_of
from benchlog.exchange.text.layout import Layout
from benchlog.exchange.text.time_stamps import ISO, StampKind, iso_ns, stamp_ns
from benchlog.exchange.text_lines import Block
from benchlog.units import LONGEST_NUMBER, NS_PER_S

_TEXT: Final = bytes(range(0x20, 0x7F)) + b"\t\n"
_NUMBERS: Final = b"0123456789+-.eE\n"
_DIGITS: Final = b"0123456789.\n"
_COMMENTS: Final = np.frombuffer(b"#%/!;*", np.uint8)
_LINE_END: Final = 0x0A
_POINT: Final = ord(".")
_ZERO: Final = ord("0")
_NINE: Final = ord("9")
_EXACT_DIGITS: Final = 15
"""So many significant digits survive a 64-bit float and back (IEEE 754)."""
_WHOLE_DIGITS: Final = 18  # below 2^63
_TENS: Final = 10 ** np.arange(_WHOLE_DIGITS + 1, dtype=np.int64)
_INT64: Final = 2**63
_MINUTE: Final = re.compile(r"\d{4}[-/]\d\d[-/]\d\d[T ]\d\d:\d\d:", re.ASCII)
_MINUTE_LONG: Final = 17
_FRACTION: Final = re.compile(r"(?:[.,](\d+))?(\D.*)?", re.ASCII)

Whole = NDArray[np.int64]
Real = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlainLines:
    """What each line of a block says: lists and arrays of equal length.

    `number` is in the base unit (Hz or 1), `written` the number as its token has it;
    `ambient_c` is NaN where a line has none.
    """

    tokens: list[str]
    written: Real
    number: Real
    stamp_ns: Whole | None
    ambient_c: Real | None

    def __len__(self) -> int:
        return len(self.tokens)


def plain_lines(block: Block, layout: Layout, limits: FileLimits) -> PlainLines | None:
    """Return what the lines of a block say; None where they are not all plain."""
    if layout.grouping is not None or layout.day is not None or layout.unit is not None:
        return None
    table = _table(block, layout, limits)
    if table is None:
        return None
    tokens = table.column(layout.data)
    written = _numbers(tokens, decimal_comma=layout.decimal_comma)
    if written is None:
        return None
    stamps = None
    if layout.time is not None and layout.kind is not None:
        stamps = _stamps(table.column(layout.time), layout)
        if stamps is None:
            return None
    ambient = None
    if layout.ambient is not None and layout.ambient < table.width:
        ambient = _ambient(table.column(layout.ambient), layout)
    with np.errstate(over="ignore"):  # what is beyond all numbers is refused later
        number = written * layout.scale
    return PlainLines(
        tokens=tokens,
        written=written,
        number=number,
        stamp_ns=stamps,
        ambient_c=ambient,
    )


@dataclass(frozen=True, slots=True)
class _Table:
    """The tokens of a block, line by line, each of them `width` long."""

    tokens: list[str]
    width: int

    def column(self, at: int) -> list[str]:
        return self.tokens[at :: self.width]


def _table(block: Block, layout: Layout, limits: FileLimits) -> _Table | None:
    text = block.text.removesuffix("\n")
    if not text.isascii() or '"' in text or block.has_longer(limits.characters):
        return None
    separator = layout.separator or " "
    if separator != "\t" and "\t" in text:
        if layout.separator:
            return None
        text = text.replace("\t", " ")
    text = _unpadded(text, separator)
    octets = text.encode()
    if octets.translate(None, _TEXT):
        return None
    width = _width(np.frombuffer(octets, np.uint8), ord(separator))
    if not max(layout.data, layout.time or 0) < width <= limits.columns:
        return None
    return _Table(text.replace("\n", separator).split(separator), width)


def _unpadded(text: str, separator: str) -> str:
    """Return a text without blanks around its columns."""
    if " " not in text:
        return text
    while "  " in text:  # halves each run of them
        text = text.replace("  ", " ")
    for end in ("\n",) if separator == " " else ("\n", separator):
        text = text.replace(f" {end}", end).replace(f"{end} ", end)
    return text.strip(" ")


def _width(octets: NDArray[np.uint8], separator: int) -> int:
    """Return the columns of each line; 0 where they differ or a line is a comment."""
    is_end = octets == _LINE_END
    lines = int(np.count_nonzero(is_end)) + 1
    cuts = np.flatnonzero(is_end | (octets == separator))
    width, left = divmod(len(cuts) + 1, lines)
    if left or not len(octets):
        return 0
    begins = cuts[width - 1 :: width]
    if not np.all(is_end[begins]) or len(begins) != lines - 1:
        return 0
    firsts = octets[np.minimum(np.append(0, begins + 1), len(octets) - 1)]
    return 0 if np.isin(firsts, _COMMENTS).any() else width


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


def _ambient(tokens: Sequence[str], layout: Layout) -> Real:
    found = _numbers(tokens, decimal_comma=layout.decimal_comma)
    if found is not None:
        return found
    each = (number_of(one, decimal_comma=layout.decimal_comma) for one in tokens)
    return np.array([np.nan if one is None else one for one in each], np.float64)


# --- times


def _stamps(tokens: list[str], layout: Layout) -> Whole | None:
    """Return times in ns as `stamp_ns` gives them; None where one is no time."""
    kind = layout.kind
    if kind is None:
        return None
    if layout.decimal_comma:
        tokens = "\n".join(tokens).replace(",", ".").split("\n")
    found = _dates(tokens) if kind is ISO else _decimals(tokens, kind)
    if found is not None:
        return found
    return _whole(stamp_ns(token, kind) for token in tokens)


def _whole(numbers: Iterable[int | None]) -> Whole | None:
    found = list(numbers)
    return None if None in found else np.array(found, np.int64)


def _decimals(tokens: Sequence[str], kind: StampKind) -> Whole | None:
    """Return plain decimal numbers in ns, cut as whole numbers are; None for others."""
    joined = "\n".join(tokens).encode()
    if joined.translate(None, _DIGITS):
        return None
    ends, lengths, points, behind = _points(joined)
    digits = lengths - points
    if digits.max() > _WHOLE_DIGITS or np.any(digits <= behind):
        return None
    plain = joined.replace(b".", b"").split(b"\n")
    mantissa = np.fromiter(map(int, plain), np.int64, len(ends))
    whole, part = np.divmod(mantissa, _TENS[behind])
    unit, power = kind.unit_ns, len(str(kind.unit_ns)) - 1
    if (int(whole.max()) + 1) * unit + abs(kind.offset_ns) >= _INT64:
        return None
    if unit == 10**power:
        finer = np.maximum(behind - power, 0)
        part = part * _TENS[np.maximum(power - behind, 0)] // _TENS[finer]
    elif 10 ** int(behind.max()) * unit < _INT64:
        part = part * unit // _TENS[behind]
    else:
        return None
    found: Whole = whole * unit + part + kind.offset_ns
    return found


def _points(joined: bytes) -> tuple[Whole, Whole, Whole, Whole]:
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


def _dates(tokens: Sequence[str]) -> Whole | None:
    """Return dates and times that are all written alike, in ns; None for others.

    Each minute is read as a line's would be; seconds are added.
    """
    length = len(tokens[0])
    if not _MINUTE_LONG + 2 <= length <= LONGEST_NUMBER:
        return None
    if any(len(token) != length for token in tokens):
        return None
    tail = _FRACTION.fullmatch(tokens[0][_MINUTE_LONG + 2 :])
    if tail is None or (tail[2] or "").startswith((".", ",")):
        return None
    fraction, zone = len(tail[1] or ""), tail[2] or ""
    joined = "\n".join(tokens).encode() + b"\n"
    octets = np.frombuffer(joined, np.uint8).reshape(len(tokens), length + 1)
    begin = _MINUTE_LONG + 2 + (fraction > 0)
    seconds = octets[:, _MINUTE_LONG : _MINUTE_LONG + 2]
    digits = np.hstack([seconds, octets[:, begin : begin + fraction]])
    same = np.hstack(
        [
            octets[:, begin - 1 : begin] if fraction else seconds[:, :0],
            octets[:, begin + fraction :],
        ]
    )
    if np.any((digits < _ZERO) | (digits > _NINE)) or np.any(same != same[0]):
        return None
    minutes = _minutes([token[:_MINUTE_LONG] for token in tokens], zone)
    whole = digits[:, :11].astype(np.int64) - _ZERO
    places = 10 ** np.arange(10, 8 - fraction if fraction < 9 else -1, -1)
    places = places[: whole.shape[1]]
    whole_ns = whole @ places.astype(np.int64)
    if minutes is None or int(whole_ns.max()) >= 60 * NS_PER_S:
        return None
    found: Whole = minutes + whole_ns
    return found


def _minutes(texts: Sequence[str], zone: str) -> Whole | None:
    known: dict[str, int | None] = {}
    for text in set(texts):
        plain = _MINUTE.fullmatch(text) is not None
        known[text] = iso_ns(f"{text}00{zone}") if plain else None
    return _whole(known[text] for text in texts)


# --- what the number alone would lose


def kept_texts(tokens: list[str], written: Real, hertz: Real) -> list[str | None]:
    """Return the tokens that are not exactly how Python writes `hertz`, else None.

    Whether they are is seen at the token where its digits are few: then the shortest
    text that gives the number back, which Python writes, has the same digits.
    """
    joined = "\n".join(tokens).encode()
    other = hertz != written
    if joined.translate(None, _DIGITS):
        unsure = ~other
    else:
        ends, lengths, points, behind = _points(joined)
        octets = np.frombuffer(joined + b"\n", np.uint8)
        padded = (octets[ends - 1] == _ZERO) & (behind != 1)
        other |= (points == 0) | (behind == 0) | padded
        unsure = ~other & (
            (lengths - points > _EXACT_DIGITS)
            | (octets[ends - lengths] == _ZERO)
            | (octets[ends - lengths] == _POINT)
        )
    kept: list[str | None] = [None] * len(tokens)
    for at in np.flatnonzero(other).tolist():
        kept[at] = tokens[at]
    for at in np.flatnonzero(unsure).tolist():
        if repr(float(hertz[at])) != tokens[at]:
            kept[at] = tokens[at]
    return kept
