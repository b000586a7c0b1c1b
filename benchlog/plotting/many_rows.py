"""Of very many averaging times those that a picture of them needs."""

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from benchlog.analysis.stability.deviations import StabilityRow

MANY: Final = 300  # our rule: more have no room for a mark each
_COLUMNS: Final = 600  # our rule: about the dots across a picture on paper
_LONGEST: Final = 1_000  # our rule: a longer table is nothing to read
_STEPS: Final = (1, 2, 5)


def for_picture(rows: Sequence[StabilityRow]) -> list[StabilityRow]:
    """Return the least and the largest of each column of dots, in their order.

    All rows have a value above zero.
    """
    if len(rows) <= MANY:
        return list(rows)
    m = np.log(np.array([row.m for row in rows], np.float64))
    values = np.array([row.value for row in rows], np.float64)
    column = ((m - m[0]) / (m[-1] - m[0]) * _COLUMNS).astype(np.int64)
    by_value = np.lexsort((values, column))
    first = np.flatnonzero(np.diff(column[by_value], prepend=-1))
    last = np.append(first[1:], len(rows)) - 1
    kept = np.unique(np.concatenate((by_value[first], by_value[last])))
    return [rows[at] for at in kept.tolist()]


def for_table(rows: Sequence[StabilityRow]) -> list[StabilityRow]:
    """Return the rows at factors of 1, 2, 5, 10, ..., and the last, of very many."""
    if len(rows) <= _LONGEST:
        return list(rows)
    wanted = {
        step * 10**power
        for power in range(math.ceil(math.log10(rows[-1].m)) + 1)
        for step in _STEPS
    }
    return [row for row in rows if row.m in wanted or row is rows[-1]]
