"""The first lines of a text file: its cells, and which column holds the time."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from benchlog.errors import UsageError
from benchlog.exchange.import_options import ColumnMeaning
from benchlog.exchange.text.foreign_numbers import (
    TIMES,
    is_unit,
    number_of,
    unit_of,
)
from benchlog.exchange.text.time_stamps import (
    ISO,
    MOST,
    StampKind,
    iso_ns,
    kind_of,
)
from benchlog.units import LONGEST_NUMBER

SHARE: Final = 0.5
"""What part of a column's cells has to be of a kind."""


@dataclass(frozen=True, slots=True)
class FirstCells:
    """The first lines of a file as cells, with the heads of their columns."""

    rows: Sequence[Sequence[str]]
    heads: Sequence[str]
    decimal_comma: bool

    @property
    def width(self) -> int:
        """Cells of the longest line."""
        return max(len(row) for row in self.rows)

    def head(self, column: int) -> str:
        """Return the name of a column, empty where it has none."""
        return self.heads[column] if column < len(self.heads) else ""

    def column(self, column: int) -> list[str]:
        """Return the cells of a column, of the lines that reach so far."""
        return [row[column] for row in self.rows if column < len(row)]

    def numbers(self, column: int) -> list[float]:
        """Return what of a column is numbers."""
        found = (
            number_of(token, decimal_comma=self.decimal_comma)
            for token in self.column(column)
        )
        return [number for number in found if number is not None]

    def is_numeric(self, column: int) -> bool:
        """Whether at least half of a column is numbers."""
        return len(self.numbers(column)) >= SHARE * len(self.rows)

    def point(self, token: str) -> str:
        """Return a cell with a decimal point."""
        return token.replace(",", ".") if self.decimal_comma else token

    def unit_column(self, data: int) -> int | None:
        """Return the column behind the data when units stand there, line by line."""
        if data + 1 >= self.width:
            return None
        units = sum(is_unit(token) for token in self.column(data + 1))
        return data + 1 if units >= SHARE * len(self.rows) else None


# --- in which column of a text file the time stands, and how it is written

INDEX_HEAD: Final = re.compile(r"#|n|no\.?|nr\.?|index|sample|count|reading", re.I)
_TIME_HEAD: Final = re.compile(
    r"time|zeit|utc|date|mjd|epoch|elapsed|\bsec|\bt(_(s|ms|us|µs|ns|min|h|d))?\b"
    r"|^\W*s\W*$",
    re.I,
)
_DAY: Final = re.compile(
    r"\s*(\d{4}[-/]\d\d?[-/]\d\d?|\d\d?\.\d\d?\.\d{4})\s*", re.ASCII
)
_HOUR: Final = re.compile(r"\s*\d\d?:\d\d(:\d\d([.,]\d+)?)?\s*(Z|UTC)?\s*", re.ASCII)


def find_time(
    table: FirstCells, data: int | None, wanted: ColumnMeaning
) -> tuple[int | None, int | None, StampKind | None]:
    """Return the columns of day and time and how time is written there."""
    if wanted.time_column is not None:
        return _said_time(table, wanted.time_column - 1)
    for column in range(table.width):
        named_index = INDEX_HEAD.fullmatch(table.head(column))
        if column == data or named_index or _has_other_units(table, column):
            continue
        if column + 1 < table.width and _is_day_and_hour(table, column):
            return column, column + 1, ISO
        tokens = [table.point(token) for token in table.column(column)]
        kind = kind_of(tokens, table.head(column))
        if kind is not None and _may_be_time(table, column, kind, wanted):
            return None, column, kind
    return None, None, None


def _said_time(table: FirstCells, column: int) -> tuple[None, int, StampKind]:
    """Return the column that a person named. Raises UsageError when it is no time."""
    tokens = [table.point(token) for token in table.column(column)]
    kind = kind_of(tokens, table.head(column), share=0.0) if tokens else None
    if kind is None:
        raise UsageError(
            f"column {column + 1} holds no times that rise from line to line; leave "
            "--time-column out, and see what is found"
        )
    return None, column, kind


def unused_time(
    table: FirstCells, taken: set[int | None]
) -> tuple[int | None, tuple[str, ...]]:
    """Return a column that seems to hold times and was not taken for one, and say so.

    That is one with dates and times in some lines, or a first one that rises.
    """
    for column in range(table.width):
        cells = table.column(column)
        dated = sum(iso_ns(cell) is not None for cell in cells)
        if dated and column not in taken:
            return column, (
                f"column {column + 1} holds a date and time in {dated} of "
                f"{len(table.rows)} lines, too few to be taken for the time; if the "
                f"other lines are to be left out, say --time-column {column + 1}",
            )
    head = table.head(0)
    if 0 in taken or INDEX_HEAD.fullmatch(head) or not table.is_numeric(0):
        return None, ()
    numbers = table.numbers(0)
    if len(numbers) < 2 or any(a >= b for a, b in pairwise(numbers)):
        return None, ()
    named = f", {head!r}," if head else ""
    return 0, (
        f"column 1{named} rises from line to line but was not taken for a time; "
        "if it is one, say --time-column 1",
    )


def _is_day_and_hour(table: FirstCells, column: int) -> bool:
    days, hours = table.column(column), table.column(column + 1)
    return _most(_DAY, days) and _most(_HOUR, hours)


def _most(pattern: re.Pattern[str], cells: Sequence[str]) -> bool:
    """Whether more than half of some cells are written so."""
    short = [cell for cell in cells if len(cell) <= LONGEST_NUMBER]
    return sum(map(bool, map(pattern.fullmatch, short))) > MOST * len(cells)


def _may_be_time(
    table: FirstCells, column: int, kind: StampKind, wanted: ColumnMeaning
) -> bool:
    if table.width == 1:
        return False
    if kind.dated or _TIME_HEAD.search(table.head(column)):
        return True
    is_first = column == 0 and not table.head(column)
    return is_first and not _is_index(table.numbers(column), wanted.gate_s)


def _is_index(numbers: Sequence[float], gate_s: float | None) -> bool:
    """Whether a first column counts readings, where the gate says it is not seconds."""
    steps = {later - earlier for earlier, later in pairwise(numbers)}
    return steps == {1.0} and gate_s is not None and gate_s != 1.0


def _has_other_units(table: FirstCells, column: int) -> bool:
    """Whether what stands behind a column says that it is no time."""
    at = table.unit_column(column)
    return at is not None and any(
        is_unit(token) and unit_of(token) not in TIMES for token in table.column(at)
    )
