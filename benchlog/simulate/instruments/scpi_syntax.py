"""SCPI program messages: splitting them, matching headers, reading parameters.

Follows SCPI-1999 volume 1 (sec. 6, headers and paths) and IEEE 488.2 (sec. 7, program
data). Whatever bytes come, the outcome is a value or a ScpiError, never anything else.
"""

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

_LONGEST_MNEMONIC: Final = 12  # source: IEEE 488.2, 7.6.1.4.1, from memory
_LONGEST_NUMBER: Final = 255  # source: IEEE 488.2, 7.7.2.4.1, from memory
_HEADER = re.compile(
    r"(?P<root>[:*]?)(?P<path>[A-Za-z]\w*(?::[A-Za-z]\w*)*)(?P<query>\??)"
)
_NUMBER = re.compile(
    r"(?P<mantissa>[+-]?(?:\d+\.?\d*|\.\d+))"
    r"(?:\s*[Ee]\s*(?P<exponent>[+-]?\d+))?\s*(?P<suffix>[A-Za-z%/]*)"
)
_PUNCTUATION: Final = {"[": "(?:", "]": ")?", ":": ":", "*": r"\*"}
# source: IEEE 488.2, 7.7.3, from memory
_SUFFIXES: Final[dict[str, dict[str, float]]] = {
    "S": {"S": 1.0, "MS": 1e-3, "US": 1e-6, "NS": 1e-9, "KS": 1e3},
    "HZ": {"HZ": 1.0, "KHZ": 1e3, "MHZ": 1e6, "MAHZ": 1e6, "GHZ": 1e9},
    "V": {"V": 1.0, "MV": 1e-3, "UV": 1e-6, "KV": 1e3},
    "OHM": {"OHM": 1.0, "KOHM": 1e3, "MOHM": 1e6},
    "": {},
}


class ScpiError(Exception):
    """An entry for the error queue: SCPI code and device-dependent info."""

    def __init__(self, code: int, info: str = "") -> None:
        super().__init__(f"{code} {info}".strip())
        self.code, self.info = code, info


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """One program message unit: `path` in upper case, without a leading colon."""

    path: str
    rooted: bool
    common: bool
    query: bool
    params: tuple[str, ...]


def split_outside(text: str, separator: str) -> Iterator[str]:
    """Split at a separator, but not inside quotes or parentheses."""
    quote, depth, start = "", 0, 0
    for i, ch in enumerate(text):
        if quote:
            quote = "" if ch == quote else quote
        elif ch in "\"'":
            quote = ch
        elif ch == "(":
            depth += 1
        elif ch == ")":
            depth = max(0, depth - 1)
        elif ch == separator and not depth:
            yield text[start:i]
            start = i + 1
    yield text[start:]


def parse_unit(text: str) -> Unit:
    """Read one unit. Raises ScpiError (-101, -110, -111, -112)."""
    if any(not " " <= ch <= "~" and ch != "\t" for ch in text):
        raise ScpiError(-101)
    match = _HEADER.match(text)
    if not match:
        raise ScpiError(-110, text[:20])
    path, rest = match["path"].upper(), text[match.end() :]
    if rest and not rest[0].isspace():
        raise ScpiError(-111, text[:20])
    if any(len(node) > _LONGEST_MNEMONIC for node in path.split(":")):
        raise ScpiError(-112, path[:20])
    params = tuple(p.strip() for p in split_outside(rest, ",")) if rest.strip() else ()
    root = match["root"]
    return Unit(
        path=path,
        rooted=root == ":",
        common=root == "*",
        query=bool(match["query"]),
        params=params,
    )


def header_pattern(spec: str) -> re.Pattern[str]:
    """Compile a header as the standard prints it: `[SENSe:]FREQuency:APERture`.

    Upper case is the short form, brackets are optional nodes, `#` takes a numeric
    suffix (1 when absent), which becomes a group.
    """
    pattern = ""
    for piece in re.findall(r"\[|\]|:|\*|[A-Za-z]+#?", spec):
        pattern += _PUNCTUATION.get(piece) or _node(piece)
    return re.compile(pattern)


def _node(piece: str) -> str:
    name = piece.rstrip("#")
    short = "".join(ch for ch in name if ch.isupper())
    forms = f"(?:{name.upper()}|{short})"
    return forms + (r"(\d{0,3})" if piece.endswith("#") else "1?")


def numeric(text: str, unit: str, bounds: tuple[float, float, float]) -> float:
    """Read a number with an optional suffix, or MINimum, MAXimum, DEFault.

    `bounds` is low, high, default. Raises ScpiError (-104, -121, -123, -124, -131,
    -222).
    """
    low, high, default = bounds
    word = text.upper()
    named = {"MIN": low, "MAX": high, "DEF": default}
    for short, value in named.items():
        if word in (short, {"MIN": "MINIMUM", "MAX": "MAXIMUM"}.get(short, "DEFAULT")):
            return value
    match = _NUMBER.fullmatch(text)
    if not match:
        raise ScpiError(-121 if text[:1].isdigit() else -104, text[:20])
    if len(match["mantissa"]) > _LONGEST_NUMBER:
        raise ScpiError(-124)
    if abs(int((match["exponent"] or "0")[:9])) > 32000:
        raise ScpiError(-123)
    value = float(match["mantissa"] + "e" + (match["exponent"] or "0"))
    value *= _multiplier(match["suffix"], unit)
    if not (math.isfinite(value) and low <= value <= high):
        raise ScpiError(-222, text[:20])
    return value


def _multiplier(suffix: str, unit: str) -> float:
    if not suffix:
        return 1.0
    known = _SUFFIXES[unit]
    if not known:
        raise ScpiError(-138, suffix[:12])
    if suffix.upper() not in known:
        raise ScpiError(-131, suffix[:12])
    return known[suffix.upper()]


def boolean(text: str) -> bool:
    """Read ON, OFF or a number (0 is off). Raises ScpiError."""
    if text.upper() in ("ON", "OFF"):
        return text.upper() == "ON"
    return round(numeric(text, "", (-1e9, 1e9, 0.0))) != 0


def word(text: str, choices: Sequence[str]) -> str:
    """Read one of `choices` in long or short form; returns the short form.

    Raises ScpiError (-224; -104 for a number where a word belongs).
    """
    for choice in choices:
        short = "".join(ch for ch in choice if ch.isupper())
        if text.upper() in (short, choice.upper()):
            return short
    raise ScpiError(-104 if text[:1].isdigit() else -224, text[:20])


def channel(text: str) -> int:
    """Read a channel list of one channel, `(@2)`. Raises ScpiError (-170, -171)."""
    match = re.fullmatch(r"\(\s*@\s*(\d{1,3})\s*\)", text)
    if not match:
        raise ScpiError(-171, text[:20])
    return int(match[1])


def string(text: str) -> str:
    """Read quoted text. Raises ScpiError (-151)."""
    if len(text) < 2 or text[0] not in "\"'" or text[-1] != text[0]:
        raise ScpiError(-151, text[:20])
    return text[1:-1]
