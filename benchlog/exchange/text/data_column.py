"""Which column of a text file made elsewhere holds the data, by its head or size."""

import re
from statistics import median
from typing import Final

from benchlog.errors import DataError
from benchlog.exchange.import_options import ColumnMeaning
from benchlog.exchange.text.first_lines import INDEX_HEAD, SHARE, FirstCells
from benchlog.exchange.text.foreign_numbers import unit_scale
from benchlog.units import printable

AMBIENT_HEAD: Final = re.compile(r"temp(?!t|lat|oral)|ambient", re.I)
"""Not of attempts, templates, temporal things."""
_FAR: Final = 0.5  # our rule, of nominal: no other column is so near by chance
_DATA_HEADS: Final = {
    "frequency": re.compile(r"freq|hz", re.I),
    "fractional": re.compile(r"frac|offset|ppm|ppb|\by\b|df/f", re.I),
    "phase": re.compile(r"phase|\btie\b|\bx\b|time.?error|time.?interval", re.I),
}


def find_data(
    table: FirstCells, wanted: ColumnMeaning, taken: set[int | None]
) -> int | None:
    """Return the column that holds the data, None where none may be it.

    Raises DataError when a head names it, and its cells cannot be read: what another
    column holds would be judged in its place.
    """
    free = [column for column in range(table.width) if column not in taken]
    named = [c for c in free if _DATA_HEADS[wanted.data].search(table.head(c))]
    free = [c for c in free if table.is_numeric(c)]
    if read := [c for c in named if c in free]:
        return read[0]
    free = [c for c in free if not AMBIENT_HEAD.search(table.head(c))]
    nearest = min(free, key=lambda c: _distance(table, c, wanted), default=None)
    is_far = nearest is not None and _distance(table, nearest, wanted) > _FAR
    for column in named:
        if (is_far and wanted.data == "frequency") or _has_digits(table, column):
            raise _unread(table, column)
    if wanted.data == "frequency":
        return nearest
    return next((c for c in free if not INDEX_HEAD.fullmatch(table.head(c))), None)


def _has_digits(table: FirstCells, column: int) -> bool:
    """Whether cells seem to be numbers; words and units are let be."""
    digits = sum(re.search(r"\d", cell) is not None for cell in table.column(column))
    return digits >= SHARE * len(table.rows)


def _unread(table: FirstCells, column: int) -> DataError:
    first = next(iter(table.column(column)), "")
    return DataError(
        f"column {column + 1}, {printable(table.head(column))!r}, holds no numbers "
        f"that can be read, as {printable(first[:60])!r}; write them as 1234.5, or "
        "name another column with --column"
    )


def _distance(table: FirstCells, column: int, wanted: ColumnMeaning) -> float:
    """Return how far a column is from nominal, as a share of it."""
    middle = median(table.numbers(column))
    scaled = middle * (unit_scale(table.head(column)) or 1.0)
    return abs(scaled / wanted.nominal_hz - 1.0)
