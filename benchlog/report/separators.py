"""What separates the fields of a line, and whether numbers have a decimal comma."""

import csv
import re
from collections.abc import Callable, Iterable, Sequence
from statistics import median
from typing import Final

from benchlog.report.grouping import Grouping
from benchlog.report.numbers import number_of
from benchlog.report.options import Wanted

_COMMENTS: Final = ("#", "%", "//", "!", ";", "*")
_PLAIN_SEPARATORS: Final = ("\t", ";", "|")
_SHARE: Final = 0.8
_BLANKS: Final = re.compile(r"\s+")
_COMMA_NUMBER: Final = re.compile(
    r"[-+]?(\d*|\d{1,3}(\.\d{3})+),\d+([eE][-+]?\d+)?", re.ASCII
)
_POINT_NUMBER: Final = re.compile(r"[-+]?\d*\.\d+([eE][-+]?\d+)?", re.ASCII)


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
        plain = line if separator else _BLANKS.sub(" ", line.strip())
        try:
            return next(csv.reader([plain], delimiter=separator or " "), [])
        except csv.Error:
            return line.split(separator or None)

    return split


def find_separator(lines: Sequence[str], wanted: Wanted) -> tuple[str, bool]:
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
    return bool(known) and sum(known) >= _SHARE * len(known)


def _commas_are_decimal(fields: Sequence[str]) -> bool:
    commas = sum(_COMMA_NUMBER.fullmatch(field) is not None for field in fields)
    points = sum(_POINT_NUMBER.fullmatch(field) is not None for field in fields)
    return commas > points


def _is_grouped(fields: Sequence[str], wanted: Wanted) -> bool:
    """Whether `16,000,001.5` is one number: it must lie near nominal as such."""
    if wanted.data != "frequency":
        return False
    numbers = [number_of(field) for field in fields if "," in field]
    known = [number for number in numbers if number is not None]
    if len(known) < _SHARE * len(numbers) or not known:
        return False
    return 0.1 < median(known) / wanted.nominal_hz < 10


def _is_decimal(data: Sequence[str], fields: Sequence[str], wanted: Wanted) -> bool:
    if not _commas_are_decimal(fields):
        return False
    if not _mostly(_COMMA_NUMBER.fullmatch(f) is not None for f in fields if "," in f):
        return False
    is_single = all(len(line.split()) == 1 for line in data)
    return not is_single or _pair_is_number(fields, wanted)


def _pair_is_number(fields: Sequence[str], wanted: Wanted) -> bool:
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
