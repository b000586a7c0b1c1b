"""Numbers as other programs write them: separators, units, decimal commas."""

import math
import re
from typing import Final

from benchlog.units import LONGEST_NUMBER

_UNITS: Final[dict[str, float]] = {
    "ghz": 1e9,
    "mhz": 1e6,
    "khz": 1e3,
    "hz": 1.0,
    "s": 1.0,
    "ms": 1e-3,
    "us": 1e-6,
    "µs": 1e-6,
    "μs": 1e-6,
    "ns": 1e-9,
    "ps": 1e-12,
    "fs": 1e-15,
    "%": 1e-2,
    "ppm": 1e-6,
    "ppb": 1e-9,
    "ppt": 1e-12,
}
_WRITTEN_OUT: Final = {
    "%": ("percent", "pct"),
    "s": ("sec", "second", "seconds"),
    "ms": ("msec", "millisecond", "milliseconds"),
    "us": ("usec", "µsec", "μsec", "microsecond", "microseconds"),
    "ns": ("nsec", "nanosecond", "nanoseconds"),
    "ps": ("psec", "picosecond", "picoseconds"),
}
_UNITS.update({word: _UNITS[u] for u, words in _WRITTEN_OUT.items() for word in words})
TIMES: Final = frozenset(
    word
    for unit in ("s", "ms", "us", "ns")
    for word in (unit, unit.replace("u", "µ"), unit.replace("u", "μ"))
    + _WRITTEN_OUT[unit]
)
"""Units of time stamps, as they are written in small letters."""
_LONGEST_UNIT: Final = max(map(len, _UNITS))
_UNIT_AT_END: Final = re.compile(r"[A-Za-zµμ%]+$")
_GROUPS: Final = r"['\u00a0\u202f\u2009 ]"
_TOKEN: Final = re.compile(
    r"(?P<number>[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?)\s*(?P<unit>[A-Za-zµμ%]*)",
    re.ASCII,
)
_GROUPED: Final = re.compile(rf"(?<=[0-9]){_GROUPS}(?=[0-9]{{3}}(?![0-9]))")
_GROUPED_POINT: Final = re.compile(r"[-+]?[0-9]{1,3}(\.[0-9]{3})+(,[0-9]+)?")
_GROUPED_COMMA: Final = re.compile(r"[-+]?[0-9]{1,3}(,[0-9]{3})+(\.[0-9]+)?")
_UNIT_IN_HEAD: Final = re.compile(r"[\[(_/ ]\s*([A-Za-zµμ%]+)\s*[\])]?\s*$")

_BRACKETS: Final = re.compile(r"[\[(]([^\[(\])]{1,20})[\])]\s*$")


def number_of(token: str, *, decimal_comma: bool = False) -> float | None:
    """Return the number a token stands for, in its base unit; None if it is none.

    `16.000001 MHz` is 16000001.0, `16'000'001` likewise; NaN, infinities and words are
    no numbers, and neither is what has more than 64 characters.
    """
    plain = token.strip()
    if len(plain) > LONGEST_NUMBER:
        return None
    if not decimal_comma and "_" not in plain:
        try:
            value = float(plain)
        except ValueError:
            pass
        else:
            return value if math.isfinite(value) else None
    return _careful(plain, decimal_comma=decimal_comma)


def unit_scale(head: str) -> float | None:
    """Return what the unit at the end of a column's head is worth: `f (MHz)` is 1e6."""
    found = _UNIT_IN_HEAD.search(f" {head.strip()}")
    return None if found is None else _UNITS.get(found.group(1).lower())


def unknown_unit(head: str) -> str:
    """Return what stands in brackets at the end of a head and is no unit; or nothing.

    What a person wrote there may be a unit all the same: `[1e-9]`, `(counts)`.
    """
    found = _BRACKETS.search(head)
    if found is None or is_unit(found.group(1)):
        return ""
    return found.group(1).strip()


def unit_worth(unit: str) -> float:
    """Return what a unit is worth in its base unit. Raises KeyError for others."""
    return _UNITS[unit.lower()]


def is_unit(token: str) -> bool:
    """Whether a token is the name of a unit and nothing else."""
    return token.strip().lower() in _UNITS


def unit_of(token: str) -> str:
    """Return the unit at the end of a token in small letters; empty when bare."""
    found = _UNIT_AT_END.search(token.strip()[-_LONGEST_UNIT - 1 :])
    return found.group().lower() if found and is_unit(found.group()) else ""


def _careful(token: str, *, decimal_comma: bool) -> float | None:
    found = _TOKEN.fullmatch(_with_point(_GROUPED.sub("", token), decimal_comma))
    if found is None:
        return None
    unit = found["unit"].lower()
    if unit and unit not in _UNITS:
        return None
    value = float(found["number"]) * _UNITS.get(unit, 1.0)
    return value if math.isfinite(value) else None


def _with_point(token: str, decimal_comma: bool) -> str:
    if decimal_comma:
        if _GROUPED_POINT.fullmatch(token):
            token = token.replace(".", "")
        return token.replace(",", ".") if token.count(",") <= 1 else token
    return token.replace(",", "") if _GROUPED_COMMA.fullmatch(token) else token
