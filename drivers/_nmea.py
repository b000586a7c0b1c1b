"""Sentences of a satellite receiver (NMEA 0183): checksum, fix, time of day, date.

`$` or `!`, address and fields with commas between, `*`, two hexadecimal digits: the
exclusive or of every character between `$` and `*`. Only what says whether the receiver
has a fix is read: RMC (status and mode) and GGA (quality); ZDA gives date and time.
Pure functions; what is wrong with a line is a `MalformedError`, never a crash.
"""

import re
from dataclasses import dataclass
from datetime import date
from functools import reduce
from operator import xor
from typing import Final

LONGEST: Final = 256  # our rule: see below
"""The standard allows 82 characters; precise receivers send a few more."""
_LINE: Final = re.compile(
    rb"[$!](?P<body>[\x20-\x29\x2b-\x7e]*)\*(?P<sum>[0-9A-Fa-f]{2})\r?\n?"
)
_ADDRESS: Final = re.compile(r"[A-Z][A-Z0-9](?P<kind>[A-Z]{3})")
_TIME: Final = re.compile(r"([01]\d|2[0-3])([0-5]\d)([0-5]\d|60)(\.\d{1,9})?")
_FIX_MODES: Final = frozenset("ADFPR")
"""RMC mode letters of a real fix: autonomous, differential, float, precise, real time.
Estimated, manual, simulated and not valid are none."""
_FIX_QUALITIES: Final = frozenset("12345")
"""GGA qualities of a real fix; 0 is none, 6 estimated, 7 manual, 8 simulated."""
_CENTURY: Final = 2000  # definition: of two digits of a year
_LAST_OLD_YEAR: Final = 80  # receivers know no year before 1980; our rule


class MalformedError(ValueError):
    """A line that is no sentence; the message says why."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """What one sentence says.

    Parameters
    ----------
    kind : str
        `RMC`, `GGA`, `ZDA`, ... whatever the sentence is.
    fix : bool | None
        Whether the receiver has a fix; None when this kind does not say.
    second : float | None
        Seconds of the UTC day.
    day : date | None
        UTC date.
    satellites : int | None
        How many are used.

    """

    kind: str
    fix: bool | None = None
    second: float | None = None
    day: date | None = None
    satellites: int | None = None


def checksum(body: bytes) -> int:
    """Return the exclusive or of all characters between `$` and `*`."""
    return reduce(xor, body, 0)


def read_sentence(line: bytes) -> Report:
    """Read one line. Raises MalformedError; other kinds give a bare report."""
    if len(line) > LONGEST:
        raise MalformedError(f"{len(line)} characters are no sentence")
    match = _LINE.fullmatch(line)
    if match is None:
        raise MalformedError(f"no sentence with a checksum: {line[:80]!r}")
    body, stated = match["body"], int(match["sum"], 16)
    if checksum(body) != stated:
        raise MalformedError(
            f"the checksum is {checksum(body):02X} and not {stated:02X}: {line[:80]!r}"
        )
    address, *fields = body.decode("ascii").split(",")
    kind = _ADDRESS.fullmatch(address)
    if kind is None:
        return Report(kind=address)  # a maker's own sentence
    readers = {"RMC": _rmc, "GGA": _gga, "ZDA": _zda}
    reader = readers.get(kind["kind"])
    return reader(fields) if reader else Report(kind=kind["kind"])


def _rmc(fields: list[str]) -> Report:
    """Time, status, position (4), speed, course, date, variation (2), mode, ..."""
    if len(fields) < 9:
        raise MalformedError(f"RMC has {len(fields)} fields, at least 9 are needed")
    mode = fields[11] if len(fields) > 11 else "A"
    fix = fields[1] == "A" and mode in _FIX_MODES
    ddmmyy = fields[8]
    day = None
    if ddmmyy:
        if not re.fullmatch(r"\d{6}", ddmmyy, re.ASCII):
            raise MalformedError(f"{ddmmyy!r} is no date")
        two = int(ddmmyy[4:])
        century = _CENTURY if two < _LAST_OLD_YEAR else _CENTURY - 100
        day = _day(str(century + two), ddmmyy[2:4], ddmmyy[:2])
    return Report(kind="RMC", fix=fix, second=_second(fields[0]), day=day)


def _gga(fields: list[str]) -> Report:
    """Time, position (4), quality, satellites, dilution, height (4), ..."""
    if len(fields) < 7:
        raise MalformedError(f"GGA has {len(fields)} fields, at least 7 are needed")
    used = fields[6]
    if not re.fullmatch(r"\d{0,3}", used, re.ASCII):
        raise MalformedError(f"GGA counts {used!r} satellites")
    satellites = int(used) if used else None
    return Report(
        kind="GGA",
        fix=fields[5] in _FIX_QUALITIES,
        second=_second(fields[0]),
        day=None,
        satellites=satellites,
    )


def _zda(fields: list[str]) -> Report:
    """Time, day, month, year of four digits, zone (2)."""
    if len(fields) < 4:
        raise MalformedError(f"ZDA has {len(fields)} fields, at least 4 are needed")
    day = _day(fields[3], fields[2], fields[1]) if fields[1] else None
    return Report(kind="ZDA", fix=None, second=_second(fields[0]), day=day)


def _second(text: str) -> float | None:
    if not text:
        return None
    match = _TIME.fullmatch(text)
    if match is None:
        raise MalformedError(f"{text!r} is no time of day")
    hour, minute, second, part = match.groups()
    return int(hour) * 3600 + int(minute) * 60 + int(second) + float(f"0{part or ''}")


def _day(year: str, month: str, day: str) -> date:
    if not all(re.fullmatch(r"\d{1,4}", text, re.ASCII) for text in (year, month, day)):
        raise MalformedError(f"{year}-{month}-{day} is no date")
    try:
        return date(int(year), int(month), int(day))
    except ValueError as error:
        raise MalformedError(f"{year}-{month}-{day} is no date") from error
