"""Times of plain lines as whole ns: of a column at once, as of each line alone."""

import re
from collections.abc import Iterable, Sequence
from typing import Final

import numpy as np

from benchlog.exchange.text.layout import Layout
from benchlog.exchange.text.time_stamps import ISO, StampKind, iso_ns, stamp_ns
from benchlog.exchange.text.token_columns import (
    DIGITS,
    WHOLE_DIGITS,
    TokenColumn,
    Whole,
    decimals_of,
    points_of,
)
from benchlog.units import LONGEST_NUMBER, NS_PER_S

_ZERO: Final = ord("0")
_NINE: Final = ord("9")
_TENS: Final = 10 ** np.arange(WHOLE_DIGITS + 1, dtype=np.int64)
_INT64: Final = 2**63
_MINUTE: Final = re.compile(r"\d{4}[-/]\d\d[-/]\d\d[T ]\d\d:\d\d:", re.ASCII)
_MINUTE_LONG: Final = 17
_FRACTION: Final = re.compile(r"(?:[.,](\d+))?(\D.*)?", re.ASCII)


def stamps_ns(column: TokenColumn, layout: Layout) -> Whole | None:
    """Return times in ns as `stamp_ns` gives them; None where one is no time."""
    kind = layout.kind
    if kind is None:
        return None
    alike = None if layout.decimal_comma or kind is ISO else decimals_of(column)
    if alike is not None:
        behind = np.int64(alike.behind or 0)
        in_ns = _in_ns(alike.mantissa, behind, kind)
        if in_ns is not None:
            return in_ns
    tokens = column.tokens()
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
    if joined.translate(None, DIGITS):
        return None
    ends, lengths, points, behind = points_of(joined)
    digits = lengths - points
    if digits.max() > WHOLE_DIGITS or np.any(digits <= behind):
        return None
    plain = joined.replace(b".", b"").split(b"\n")
    mantissa = np.fromiter(map(int, plain), np.int64, len(ends))
    return _in_ns(mantissa, behind, kind)


def _in_ns(mantissa: Whole, behind: Whole | np.int64, kind: StampKind) -> Whole | None:
    """Return whole numbers with so many digits behind a point in ns, cut.

    All are zero or above; None where one is too big.
    """
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
        begin_ns = iso_ns(f"{text}00{zone}") if plain else None
        if begin_ns is None or not -_INT64 <= begin_ns < _INT64 - 60 * NS_PER_S:
            return None  # a year far away, say: each line is then looked at alone
        known[text] = begin_ns
    return _whole(known[text] for text in texts)
