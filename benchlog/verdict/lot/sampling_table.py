"""The tables of single sampling by attributes, written as the rule that makes them.

Every table of MIL-STD-105E (1989) and ISO 2859-1 for single sampling is one sequence
of acceptance numbers laid along the diagonals: with code letters counted from A = 0 and
AQL columns from 0.010 % = 0, a cell depends on the sum of the two alone. An arrow down
(up) sends to the first plan below (above), whose sample size is used too.

What is known of the cells is kept with them (`Status`):

- code letters: compared with secondary prints of the standard row by row; where A meets
  B in the columns S-1, S-4 and I they are from memory (the print begins at B);
- normal inspection: AQL 0.65 to 6.5 for letters A to Q compared cell by cell, arrows
  included, with a secondary print; AQL 0.065 to 0.40 and row R follow the pattern and
  each row's sequence was seen without its columns; AQL 0.010 to 0.040 rest on the
  pattern alone;
- tightened and reduced inspection: the pattern, from memory. Tightened repeats the
  well-known shift (2, 3, 5, 7, 10, 14, 21 become 1, 2, 3, 5, 8, 12, 18); reduced is
  MIL-STD-105E's, whose rejection numbers leave a gap. ISO 2859-1:1999 has another
  reduced table without a gap, which is not offered.

"""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

LETTERS: Final = "ABCDEFGHJKLMNPQRS"
"""Code letters of the sample size; no I, no O; S exists for tightened inspection."""
# SIZES, REDUCED_SIZES, AQLS, _LOTS, _NORMAL, _TIGHTENED, _REDUCED, _TABLES: source:
# MIL-STD-105E and ISO 2859-1, known as the module tells.
SIZES: Final = (
    *(2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800, 1250, 2000, 3150),
)
REDUCED_SIZES: Final = (2, 2, 2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800)
AQLS: Final = (
    *(0.010, 0.015, 0.025, 0.040, 0.065, 0.10, 0.15, 0.25, 0.40),
    *(0.65, 1.0, 1.5, 2.5, 4.0, 6.5),
)
"""Preferred acceptance quality limits, percent nonconforming."""
LEVELS: Final = ("S-1", "S-2", "S-3", "S-4", "I", "II", "III")

_LOTS: Final = (
    (8, "AAAAAAB"),
    (15, "AAAAABC"),
    (25, "AABBBCD"),
    (50, "ABBCCDE"),
    (90, "BBCCCEF"),
    (150, "BBCDDFG"),
    (280, "BCDEEGH"),
    (500, "BCDEFHJ"),
    (1_200, "CCEFGJK"),
    (3_200, "CDEGHKL"),
    (10_000, "CDFGJLM"),
    (35_000, "CDFHKMN"),
    (150_000, "DEGJLNP"),
    (500_000, "DEGJMPQ"),
    (10**18, "DEHKNQR"),
)
"""Largest lot of each row with the letters at the seven levels."""

_FROM_MEMORY_AT: Final = ("S-1", "S-4", "I")


class Severity(StrEnum):
    """How strictly a lot is sampled."""

    NORMAL = "normal"
    TIGHTENED = "tightened"
    REDUCED = "reduced"


class Status(StrEnum):
    """What is known of a cell, from best to worst."""

    VERIFIED = "verified"
    PATTERN = "pattern"
    MEMORY = "memory"


_Numbers = dict[int, tuple[int, int]]

_NORMAL: Final[_Numbers] = {
    14: (0, 1),
    **{17 + i: (ac, ac + 1) for i, ac in enumerate((1, 2, 3, 5, 7, 10, 14, 21))},
}
_TIGHTENED: Final[_Numbers] = {
    15: (0, 1),
    **{18 + i: (ac, ac + 1) for i, ac in enumerate((1, 2, 3, 5, 8, 12, 18))},
}
_REDUCED: Final[_Numbers] = {
    14: (0, 1),
    **dict(enumerate(((0, 2), (1, 3), (1, 4), (2, 5), (3, 6), (5, 8), (7, 10)), 17)),
    24: (10, 13),
}
"""Ac and Re by diagonal (letter + AQL column)."""


@dataclass(frozen=True, slots=True)
class _Table:
    numbers: _Numbers
    sizes: tuple[int, ...]
    rows: int


_TABLES: Final = {
    Severity.NORMAL: _Table(_NORMAL, SIZES, 16),
    Severity.TIGHTENED: _Table(_TIGHTENED, SIZES, 17),
    Severity.REDUCED: _Table(_REDUCED, REDUCED_SIZES, 16),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """A cell after its arrows were followed.

    Parameters
    ----------
    arrow : str
        `plan` when the cell holds numbers itself, else `down` or `up`.
    letter : str
        The row that is used.
    sample_size, accept, reject : int
        That row's sample size and numbers.
    status : Status
        What is known of the cell.

    """

    arrow: str
    letter: str
    sample_size: int
    accept: int
    reject: int
    status: Status


def code_letter(lot_size: int, level: str) -> tuple[str, Status]:
    """Return the code letter for a lot size at an inspection level."""
    row = next(letters for largest, letters in _LOTS if lot_size <= largest)
    letter = row[LEVELS.index(level)]
    remembered = level in _FROM_MEMORY_AT and letter in "AB"
    return letter, Status.MEMORY if remembered else Status.VERIFIED


def cell(letter: str, aql_percent: float, severity: Severity) -> Cell:
    """Return the plan of a code letter and a preferred AQL, arrows followed."""
    table = _TABLES[severity]
    row, column = LETTERS.index(letter), AQLS.index(aql_percent)
    used = _follow(row, column, table)
    accept, reject = table.numbers[used + column]
    arrow = "plan" if used == row else "down" if used > row else "up"
    status = _status(letter, aql_percent, severity)
    return Cell(
        arrow=arrow,
        letter=LETTERS[used],
        sample_size=table.sizes[used],
        accept=accept,
        reject=reject,
        status=status,
    )


def _follow(row: int, column: int, table: _Table) -> int:
    """Return the row of the plan that is used, along the arrows from here.

    Before the first plan and just before Ac = 1 the arrow points down; after Ac = 0 and
    after the last plan it points up; where the table ends before a plan it turns round.
    """
    zero, one = sorted(table.numbers)[:2]
    here = row + column
    step = 1 if here < zero or here == one - 1 else -1
    while row + column not in table.numbers:
        if not 0 <= row + step < table.rows:
            step = -step
        row += step
    return row


def _status(letter: str, aql_percent: float, severity: Severity) -> Status:
    if severity is not Severity.NORMAL:
        return Status.MEMORY
    if aql_percent >= 0.65 and letter != "R":
        return Status.VERIFIED
    return Status.PATTERN
