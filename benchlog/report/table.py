"""The first lines of a text file as a table of cells."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from benchlog.report.numbers import is_unit, number_of

SHARE: Final = 0.5
"""What part of a column's cells has to be of a kind."""


@dataclass(frozen=True, slots=True)
class Table:
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
