"""Numbers whose digits stand in groups of three, parted by the blanks between columns.

`16 000 097.5` is one number by ISO 80000-1 (7.3.1, from memory), and three columns by
white space. Which of both it is follows from nominal, in line after line.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from benchlog.report.numbers import number_of
from benchlog.report.options import Wanted

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
        parts = _GAP.split(line.strip())
        fields, gaps = parts[::2], parts[1::2]
        stop = self._stop(fields, gaps)
        if stop == self.start:
            return fields
        number = "".join(parts[2 * self.start : 2 * stop + 1])
        return [*fields[: self.start], number, *fields[stop + 1 :]]

    def _stop(self, fields: Sequence[str], gaps: Sequence[str]) -> int:
        """Return the column in which the number ends; `start` where it is no such."""
        stop = self.start
        if stop >= len(fields) or not _FIRST.fullmatch(fields[stop]):
            return self.start
        digits = fields[stop]
        while stop + 1 < len(fields) and gaps[stop] in _BLANKS:
            following = fields[stop + 1]
            if abs(float(digits)) * 1e3 > self.most or not following[0].isdigit():
                break
            stop += 1  # also what is no group: with it the number is refused, not cut
            digits += following
            if not _NEXT.fullmatch(following):
                break
        return stop


def find_grouping(lines: Sequence[str], wanted: Wanted) -> Grouping | None:
    """Return where a grouped number near nominal stands in nearly every line."""
    data = [line for line in lines if any(ch.isdigit() for ch in line)]
    if wanted.data != "frequency" or not data:
        return None
    width = max(len(line.split()) for line in data)
    for start in range(width - 1):
        grouping = Grouping(start, _FAR * wanted.nominal_hz)
        near = sum(_is_near(grouping, line, wanted.nominal_hz) for line in data)
        if near >= _SHARE * len(data):
            return grouping
    return None


def _is_near(grouping: Grouping, line: str, nominal_hz: float) -> bool:
    fields = grouping.split(line)
    if len(fields) == len(line.split()):
        return False
    token = fields[grouping.start]
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
