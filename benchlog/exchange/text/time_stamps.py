"""Time stamps as other programs write them, into whole nanoseconds without loss."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal, InvalidOperation
from itertools import pairwise
from typing import Final

from benchlog.units import LONGEST_NUMBER, NS_PER_S

_ISO: Final = re.compile(
    r"(\d{4})[-/](\d\d?)[-/](\d\d?)[T ]\s*(\d\d?):(\d\d)(?::(\d\d)(?:[.,](\d+))?)?"
    r"\s*(Z|UTC|[-+]\d\d:?(?:\d\d)?)?",
    re.ASCII | re.IGNORECASE,
)
_DAY_FIRST: Final = re.compile(
    r"(\d\d?)\.(\d\d?)\.(\d{4})[T ]\s*(\d\d?):(\d\d)(?::(\d\d)(?:[.,](\d+))?)?"
    r"\s*(Z|UTC|[-+]\d\d:?(?:\d\d)?)?",
    re.ASCII | re.IGNORECASE,
)
_PLAIN: Final = re.compile(r"([-+]?)(\d{1,25})(?:\.(\d{0,25}))?", re.ASCII)
_DAY_NS: Final = 86_400 * NS_PER_S
_MJD_1970: Final = 40_587
"""The modified Julian date of 1970-01-01."""
_INT64: Final = 2**63


@dataclass(frozen=True, slots=True)
class StampKind:
    """One way of writing time: what it is called, its unit, whether it names a date."""

    name: str
    unit_ns: int
    dated: bool
    offset_ns: int = 0


ISO: Final = StampKind("date and time", 1, dated=True)
MJD: Final = StampKind(
    "modified Julian date", _DAY_NS, dated=True, offset_ns=-_MJD_1970 * _DAY_NS
)
UNIX: Final = (
    StampKind("seconds since 1970", NS_PER_S, dated=True),
    StampKind("milliseconds since 1970", 10**6, dated=True),
    StampKind("microseconds since 1970", 10**3, dated=True),
    StampKind("nanoseconds since 1970", 1, dated=True),
)
_FIRST_DATED_S: Final = 5e8  # 1985
_LAST_DATED_S: Final = 5e9  # 2128
MOST: Final = 0.5
"""What part of a column's cells must be more than that, or it does not write time."""
_NEARLY_ALWAYS: Final = 0.95
RELATIVE: Final = {
    "": StampKind("seconds", NS_PER_S, dated=False),
    "s": StampKind("seconds", NS_PER_S, dated=False),
    "ms": StampKind("milliseconds", 10**6, dated=False),
    "us": StampKind("microseconds", 10**3, dated=False),
    "ns": StampKind("nanoseconds", 1, dated=False),
    "min": StampKind("minutes", 60 * NS_PER_S, dated=False),
    "h": StampKind("hours", 3600 * NS_PER_S, dated=False),
    "d": StampKind("days", _DAY_NS, dated=False),
}


_WORDS: Final = {
    **{word: word for word in RELATIVE if word},
    "sec": "s", "secs": "s", "second": "s", "seconds": "s",
    "msec": "ms", "millis": "ms", "millisecond": "ms", "milliseconds": "ms",
    "usec": "us", "microsecond": "us", "microseconds": "us",
    "nsec": "ns", "nanosecond": "ns", "nanoseconds": "ns",
    "mins": "min", "minute": "min", "minutes": "min",
    "hr": "h", "hrs": "h", "hour": "h", "hours": "h",
    "day": "d", "days": "d",
}  # fmt: skip
"""Units of time as heads of columns have them, in small letters, mu as `u`."""


def stamp_ns(token: str, kind: StampKind) -> int | None:
    """Return ns since 1970 (dated kinds) or since the file's own zero; None if none."""
    value = iso_ns(token) if kind is ISO else _scaled_ns(token.strip(), kind)
    return value if value is not None and -_INT64 <= value < _INT64 else None


def iso_ns(token: str) -> int | None:
    """Return ns since 1970 of an ISO 8601 (or day-first, with dots) date and time.

    Without a zone it is taken as UTC.
    """
    text = token.strip()
    if len(text) > LONGEST_NUMBER:
        return None
    found = _ISO.fullmatch(text)
    if found is not None:
        year, month, day = found.group(1, 2, 3)
    else:
        found = _DAY_FIRST.fullmatch(text)
        if found is None:
            return None
        day, month, year = found.group(1, 2, 3)
    hour, minute, second, fraction, zone = found.group(4, 5, 6, 7, 8)
    try:
        moment = datetime(
            int(year),
            int(month),
            int(day),
            int(hour),
            int(minute),
            int(second or 0),
            tzinfo=_zone(zone),
        )
    except ValueError:
        return None
    whole = int((moment - _EPOCH) // _SECOND)
    return whole * NS_PER_S + int(f"{fraction or ''}000000000"[:9])


_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_SECOND: Final = timedelta(seconds=1)


def names_zone(token: str) -> bool:
    """Whether a date and time says which zone it is in."""
    text = token.strip()[: LONGEST_NUMBER + 1]
    found = _ISO.fullmatch(text) or _DAY_FIRST.fullmatch(text)
    return found is not None and found.group(8) is not None


def kind_of(tokens: Sequence[str], head: str, share: float = MOST) -> StampKind | None:
    """Return how a column writes time, given some of its cells; None if it does not.

    More than `share` of the cells must; numbers must grow from line to line nearly
    always.
    """
    dated = sum(iso_ns(token) is not None for token in tokens)
    if dated > share * len(tokens):
        return ISO
    plain = StampKind("", 10**6, dated=False)
    scaled = [(_scaled_ns(token.strip(), plain), token) for token in tokens]
    known = [(value / 1e6, token) for value, token in scaled if value is not None]
    numbers = [number for number, _ in known]
    if len(numbers) < 2 or len(numbers) <= share * len(tokens):
        return None
    if not _increases(numbers):
        return None
    return _numeric_kind(numbers, [token for _, token in known], head)


def _numeric_kind(
    numbers: Sequence[float], tokens: Sequence[str], head: str
) -> StampKind:
    for kind in UNIX:
        per_s = NS_PER_S / kind.unit_ns
        if _FIRST_DATED_S * per_s < numbers[0] < _LAST_DATED_S * per_s:
            return kind
    if "mjd" in head.lower() or _looks_like_mjd(numbers, tokens):
        return MJD
    return RELATIVE[_unit_of(head)]


def _looks_like_mjd(numbers: Sequence[float], tokens: Sequence[str]) -> bool:
    fine = all(len(token.strip().partition(".")[2]) >= 4 for token in tokens)
    return fine and numbers[0] > 45_000 and numbers[-1] < 80_000


def _unit_of(head: str) -> str:
    """Return the unit that a head ends in; empty where there is none that is known."""
    plain = head.lower().replace("µ", "u").replace("μ", "u")
    found = re.search(r"[\[(_/ ]\s*([a-z]+)\s*[\])]?\s*$", f" {plain}")
    return _WORDS.get(found.group(1), "") if found else ""


def _increases(numbers: Sequence[float]) -> bool:
    pairs = list(pairwise(numbers))
    grown = sum(later > earlier for earlier, later in pairs)
    return grown >= min(_NEARLY_ALWAYS * len(pairs), len(pairs) - 1) and grown > 0


def _scaled_ns(token: str, kind: StampKind) -> int | None:
    if len(token) > LONGEST_NUMBER:
        return None
    found = _PLAIN.fullmatch(token)
    if found is None:
        return _decimal_ns(token, kind)
    sign, whole, fraction = found.groups(default="")
    total = int(whole) * kind.unit_ns
    if fraction:
        total += int(fraction) * kind.unit_ns // 10 ** len(fraction)
    return (-total if sign == "-" else total) + kind.offset_ns


def _decimal_ns(token: str, kind: StampKind) -> int | None:
    try:
        value = Decimal(token)
    except InvalidOperation:
        return None
    if "_" in token or not value.is_finite() or abs(value.adjusted()) > 40:
        return None
    return int(value * kind.unit_ns) + kind.offset_ns


def _zone(text: str | None) -> timezone:
    if text is None or text.upper() in ("Z", "UTC"):
        return UTC
    digits = text[1:].replace(":", "").ljust(4, "0")
    offset = timedelta(hours=int(digits[:2]), minutes=int(digits[2:]))
    return timezone(-offset if text[0] == "-" else offset)
