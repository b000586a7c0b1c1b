"""Readings in their run's own time: the wall clock was set between its segments."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

import numpy as np

from benchlog.model import Columns

_MOST: Final = 2**62  # our rule: far beyond any clock, and sums are still held


def shifted(columns: Columns, shifts_ns: Mapping[int, int]) -> Columns:
    """Return readings with what `shifts_ns` adds to the UTC of each segment."""
    if not shifts_ns or not np.all(columns.utc_ns >= 0):
        return columns
    utc_ns = columns.utc_ns.copy()
    held = np.abs(columns.utc_ns) < _MOST
    for segment, by_ns in shifts_ns.items():
        utc_ns[held & (columns.segment == segment)] += by_ns
    return replace(columns, utc_ns=utc_ns)
