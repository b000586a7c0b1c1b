"""What separates the fields of a line, and the digits of a number."""

import csv
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Final

from benchlog.exchange.import_options import ColumnMeaning
from benchlog.exchange.text.foreign_numbers import number_of
from benchlog.units import LONGEST_NUMBER

_BLANKS: Final = (" ", "\u00a0", "\u202f", "\u2009")
_GAP: Final = re.compile(r"(\s+)")
_FIRST: Final = re.compile(r"[-+]?\d{1,3}", re.ASCII)
_NEXT: Final = re.compile(r"\d{3}", re.ASCII)
_LAST: Final = re.compile(r"\d{3}(?:[.,]\d*)?(?:[A-Za-z]+)?", re.ASCII)
_SHARE: Final = 0.8
_FAR: Final = 10.0
"""So many times nominal is beyond the number: what follows is another column."""


@dataclass(frozen=True, slots=True)
class Grouping:
    """One number begins in column `start` and goes on while it is below `most`."""

    start: int
    most: float

    def split(self, line: str) -> list[str]:
        """Return the columns of a line; the grouped number is one, as it is written."""
        parts = _parts(line)
        number, stop = self.number(parts)
        fields = parts[::2]
        if not number:
            return fields
        return [*fields[: self.start], number, *fields[stop + 1 :]]

    def number(self, parts: Sequence[str]) -> tuple[str, int]:
        """Return the grouped number of a line in parts, and the column it ends in.

        Empty where there is none.
        """
        stop = self._stop(parts)
        if stop == self.start:
            return "", stop
        return "".join(parts[2 * self.start : 2 * stop + 1]), stop

    def _stop(self, parts: Sequence[str]) -> int:
        """Return the column in which the number ends; `start` where it is no such."""
        stop, width = self.start, len(parts) // 2 + 1
        if stop >= width or not _FIRST.fullmatch(parts[2 * stop]):
            return self.start
        digits = parts[2 * stop]
        while stop + 1 < width and parts[2 * stop + 1] in _BLANKS:
            following = parts[2 * stop + 2]
            if abs(float(digits)) * 1e3 > self.most or not following[0].isdigit():
                break
            stop += 1  # also what is no group: with it the number is refused, not cut
            digits += following
            if not _NEXT.fullmatch(following) or len(digits) > LONGEST_NUMBER:
                break
        return stop


def find_grouping(lines: Sequence[str], wanted: ColumnMeaning) -> Grouping | None:
    """Return where a grouped number near nominal stands in nearly every line."""
    data = [line for line in lines if any(ch.isdigit() for ch in line)]
    if wanted.data != "frequency" or not data:
        return None
    parts = [_parts(line) for line in data]
    width = max(map(len, parts)) // 2 + 1
    for start in range(width - 1):
        grouping = Grouping(start, _FAR * wanted.nominal_hz)
        near = sum(_is_near(grouping, one, wanted.nominal_hz) for one in parts)
        if near >= _SHARE * len(data):
            return grouping
    return None


def _parts(line: str) -> list[str]:
    """Return the columns of a line, and between them the blanks that part them."""
    return _GAP.split(line.strip())


def _is_near(grouping: Grouping, parts: Sequence[str], nominal_hz: float) -> bool:
    token, _ = grouping.number(parts)
    if not token:
        return False
    comma = "," in token
    number = number_of(token, decimal_comma=comma)
    return number is not None and 0.5 < number / nominal_hz < 2


def seems_grouped(rows: Sequence[Sequence[str]], data: int) -> bool:
    """Whether the datum may be a part of a number: threes of digits in every line."""
    pairs = [(at - 1, at) for at in (data, data + 1) if at > 0]
    return any(all(_are_threes(row, *pair) for row in rows) for pair in pairs)


def _are_threes(row: Sequence[str], left: int, right: int) -> bool:
    if right >= len(row):
        return False
    return bool(_FIRST.fullmatch(row[left]) and _LAST.fullmatch(row[right]))


# --- what separates the fields of a line, and whether numbers have a decimal comma

_COMMENTS: Final = ("#", "%", "//", "!", ";", "*")
_PLAIN_SEPARATORS: Final = ("\t", ";", "|")
_SHARE_OF_LINES: Final = 0.8
_ANY_BLANKS: Final = re.compile(r"\s+")
_COMMA_NUMBER: Final = re.compile(
    r"[-+]?(\d*|\d{1,3}(\.\d{3})+),\d+([eE][-+]?\d+)?", re.ASCII
)
_POINT_NUMBER: Final = re.compile(r"[-+]?\d*\.\d+([eE][-+]?\d+)?", re.ASCII)


def columns_at_least(line: str) -> int:
    """Return how many columns the separator has that occurs most often in a line."""
    return max(*map(line.count, (*_PLAIN_SEPARATORS, ",")), len(line.split()) - 1) + 1


def is_comment(line: str) -> bool:
    """Whether a line holds no data: it is blank or begins as comments do."""
    bare = line.lstrip()
    return not bare or bare.startswith(_COMMENTS)


def splitter(
    separator: str, grouping: Grouping | None = None
) -> Callable[[str], list[str]]:
    """Return a function that cuts a line; empty means white space.

    Quoted fields stay whole, and so does a number in groups.
    """
    if grouping is not None:
        return grouping.split

    def split(line: str) -> list[str]:
        if '"' not in line:
            return line.split(separator) if separator else line.split()
        plain = line if separator else _ANY_BLANKS.sub(" ", line.strip())
        try:
            return next(csv.reader([plain], delimiter=separator or " "), [])
        except csv.Error:
            return line.split(separator or None)

    return split


def find_separator(lines: Sequence[str], wanted: ColumnMeaning) -> tuple[str, bool]:
    """Return the separator (empty for white space) and whether commas are decimal."""
    data = [line for line in lines if any(ch.isdigit() for ch in line)]
    for separator in _PLAIN_SEPARATORS:
        if _mostly(separator in line for line in data):
            fields = [f.strip() for line in data for f in line.split(separator)]
            return separator, _commas_are_decimal(fields)
    if not _mostly("," in line for line in data):
        return "", False
    fields = [field for line in data for field in line.split()]
    if _is_grouped(fields, wanted):
        return "", False
    return ("", True) if _is_decimal(data, fields, wanted) else (",", False)


def _mostly(facts: Iterable[bool]) -> bool:
    known = list(facts)
    return bool(known) and sum(known) >= _SHARE_OF_LINES * len(known)


def _commas_are_decimal(fields: Sequence[str]) -> bool:
    commas = sum(_COMMA_NUMBER.fullmatch(field) is not None for field in fields)
    points = sum(_POINT_NUMBER.fullmatch(field) is not None for field in fields)
    return commas > points


def _is_grouped(fields: Sequence[str], wanted: ColumnMeaning) -> bool:
    """Whether `16,000,001.5` is one number: it must lie near nominal as such."""
    if wanted.data != "frequency":
        return False
    numbers = [number_of(field) for field in fields if "," in field]
    known = [number for number in numbers if number is not None]
    if len(known) < _SHARE_OF_LINES * len(numbers) or not known:
        return False
    return 0.1 < median(known) / wanted.nominal_hz < 10


def _is_decimal(
    data: Sequence[str], fields: Sequence[str], wanted: ColumnMeaning
) -> bool:
    if not _commas_are_decimal(fields):
        return False
    if not _mostly(_COMMA_NUMBER.fullmatch(f) is not None for f in fields if "," in f):
        return False
    is_single = all(len(line.split()) == 1 for line in data)
    return not is_single or _pair_is_number(fields, wanted)


def _pair_is_number(fields: Sequence[str], wanted: ColumnMeaning) -> bool:
    """Whether `16000001,25` is one number and not two: by what lies near nominal."""
    if wanted.column is not None and wanted.column > 1:
        return False
    single = (f.replace(".", "") for f in fields if _COMMA_NUMBER.fullmatch(f))
    pairs = [field.split(",", 1) for field in single]
    lefts = [float(left) for left, _ in pairs if left.strip("+-")]
    rights = [float(right) for _, right in pairs]
    if wanted.data == "frequency":
        return bool(lefts) and 0.5 < median(lefts) / wanted.nominal_hz < 2
    counts_up = len(set(lefts)) == len(lefts) > 2 and lefts == sorted(lefts)
    return not counts_up and bool(rights)
