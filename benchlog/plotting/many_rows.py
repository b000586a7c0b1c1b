"""Of very many averaging times those that a picture of them needs."""

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from benchlog.analysis.stability.deviations import StabilityRow
from benchlog.analysis.stability.every.row_columns import factors_and_values

MANY: Final = 300  # our rule: more have no room for a mark each
_COLUMNS: Final = 600  # our rule: about the dots across a picture on paper
_LONGEST: Final = 1_000  # our rule: a longer table is nothing to read
_STEPS: Final = (1, 2, 5)


def for_picture(rows: Sequence[StabilityRow]) -> list[StabilityRow]:
    """Return the rows that a picture draws: those with a value above zero, in order.

    Of very many, the least and the largest of each column of dots.
    """
    factors, found = factors_and_values(rows)
    drawn = np.flatnonzero(found > 0)
    if len(drawn) > MANY:
        m, values = np.log(factors[drawn]), found[drawn]
        column = ((m - m[0]) / (m[-1] - m[0]) * _COLUMNS).astype(np.int64)
        by_value = np.lexsort((values, column))
        first = np.flatnonzero(np.diff(column[by_value], prepend=-1))
        last = np.append(first[1:], len(values)) - 1
        kept = np.unique(np.concatenate((by_value[first], by_value[last])))
        drawn = drawn[kept]
    return [rows[at] for at in drawn.tolist()]


def for_table(rows: Sequence[StabilityRow]) -> list[StabilityRow]:
    """Return the rows at factors of 1, 2, 5, 10, ..., and the last, of very many."""
    if len(rows) <= _LONGEST:
        return list(rows)
    factors, _ = factors_and_values(rows)
    wanted = [
        step * 10**power
        for power in range(math.ceil(math.log10(factors[-1])) + 1)
        for step in _STEPS
    ]
    shown = np.flatnonzero(np.isin(factors, [*wanted, factors[-1]]))
    return [rows[at] for at in shown.tolist()]
