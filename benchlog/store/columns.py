"""Rows of readings into arrays, with memory that does not grow with Python objects."""

from collections.abc import Iterable, Sequence
from typing import Any, Final

import numpy as np

from benchlog.model import Columns
from benchlog.store.rows import Outline

_COLUMNS: Final = np.dtype(
    [
        ("id", "i8"),
        ("segment", "i8"),
        ("utc_ns", "i8"),
        ("mono_ns", "i8"),
        ("gate_s", "f8"),
        ("frequency_hz", "f8"),
        ("ambient_c", "f8"),
        ("flags", "i8"),
    ]
)
SELECT: Final = """
select id, segment_id, ifnull(utc_ns, -1), mono_ns, gate_s, frequency_hz, ambient_c,
  flags
from readings where run_id = ? and id > ? order by id limit ?
"""
"""The columns in the order in which `columns_from` wants them; NULL becomes NaN."""
SELECT_UP_TO: Final = SELECT.replace("id > ?", "id > ? and id <= ?")


def columns_from(rows: Iterable[tuple[Any, ...]]) -> Columns:
    """Return rows selected by `SELECT` as Columns."""
    table = np.fromiter(rows, _COLUMNS)
    return Columns(
        *(np.ascontiguousarray(table[name]) for name in _COLUMNS.names or ())
    )


def joined(pieces: Sequence[Columns]) -> Columns:
    """Return columns one after the other as one; at least one of them."""
    return Columns(
        *(
            np.concatenate([getattr(piece, name) for piece in pieces])
            for name in Columns.__slots__
        )
    )


_OUTLINE: Final = np.dtype(
    [
        ("first_id", "i8"),
        ("last_id", "i8"),
        ("n", "i8"),
        ("t0_utc_ns", "i8"),
        ("t1_utc_ns", "i8"),
        ("t0_mono_ns", "i8"),
        ("t1_mono_ns", "i8"),
        ("min_hz", "f8"),
        ("max_hz", "f8"),
        ("mean_hz", "f8"),
        ("ambient_mean_c", "f8"),
        ("flags", "i8"),
    ]
)
SELECT_OUTLINE: Final = """
select first_id, last_id, n, ifnull(t0_utc_ns, -1), ifnull(t1_utc_ns, -1), t0_mono_ns,
  t1_mono_ns, min_hz, max_hz, mean_hz, ambient_mean_c, flags
from outline where run_id = ? and last_id <= ? order by first_id
"""


def outline_from(rows: Iterable[tuple[Any, ...]], rest: Columns, block: int) -> Outline:
    """Return stored blocks followed by blocks worked out of the `rest` of the run."""
    stored = np.fromiter(rows, _OUTLINE)
    tail = np.fromiter(
        (_block_of(rest, slice(at, at + block)) for at in range(0, len(rest), block)),
        _OUTLINE,
    )
    both = np.concatenate([stored, tail])
    return Outline(*(np.ascontiguousarray(both[name]) for name in _OUTLINE.names or ()))


def _block_of(columns: Columns, part: slice) -> tuple[Any, ...]:
    ids, utc, mono = columns.id[part], columns.utc_ns[part], columns.mono_ns[part]
    hertz, ambient = columns.frequency_hz[part], columns.ambient_c[part]
    known = ambient[~np.isnan(ambient)]
    return (
        ids[0],
        ids[-1],
        len(ids),
        utc[0],
        utc[-1],
        mono[0],
        mono[-1],
        hertz.min(),
        hertz.max(),
        hertz.mean(),
        known.mean() if len(known) else np.nan,
        np.bitwise_or.reduce(columns.flags[part]),
    )
