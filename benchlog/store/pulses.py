"""Edges of a run as arrays, with the ambient values logged beside them."""

from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from benchlog.model import Flag, Pulses

SELECT_EDGES: Final = """
select id, segment_id, ifnull(utc_ns, -1), mono_ns, sequence, flags, instrument
from edges where run_id = ? and id > ? order by id limit ?
"""
SELECT_AMBIENT: Final = """
select id, value, flags, mono_ns from conditions
where run_id = ? and id > ? and quantity = 'ambient' order by id
"""

Row = tuple[Any, ...]


def pulses_from(
    edges: Sequence[Row], ambient: Sequence[Row], after_condition: int
) -> Pulses:
    """Return rows of the two queries as one noun."""
    numbers = np.array([row[:6] for row in edges], dtype=np.int64).reshape(-1, 6)
    columns = [np.ascontiguousarray(column) for column in numbers.T]
    number, segment, utc_ns, mono_ns, sequence, flags = columns
    typed = any(row[2] & Flag.AMBIENT_TYPED for row in ambient)
    return Pulses(
        id=number,
        segment=segment,
        instrument=np.array([row[6] for row in edges], dtype=np.str_),
        utc_ns=utc_ns,
        mono_ns=mono_ns,
        sequence=sequence,
        flags=flags,
        ambient_c=tuple(float(row[1]) for row in ambient),
        typed=typed,
        last_condition=int(ambient[-1][0]) if ambient else after_condition,
        ambient_mono_ns=tuple(int(row[3]) for row in ambient),
    )
