"""Rows into arrays: readings, frequencies alone, pulses."""

from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from itertools import chain
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from benchlog.model import (
    GATE_CHANGE,
    Breaks,
    Columns,
    Flag,
    Frequencies,
    Phases,
    Pulses,
)
from benchlog.store.logged_tables import EDGES, PHASES, READINGS, LoggedTable
from benchlog.store.rows import Outline
from benchlog.store.sqlite import Connection


def _numbers_of(table: LoggedTable) -> tuple[str, ...]:
    """Return the numbers of a table as SQL; a whole number that is missing is -1."""
    return tuple(
        f"ifnull({name}, -1)"
        if table.kinds[name] is int and name in table.may_be_null
        else name
        for name in table.number_columns
    )


def _kinds_of(table: LoggedTable) -> dict[str, str]:
    """Return the arrays that the numbers of a table become, and what each holds."""
    names = {int: "i8", float: "f8"}
    return {
        column.removesuffix("_id"): names[table.kinds[column]]
        for column in table.number_columns
    }


COLUMN_KINDS: Final = _kinds_of(READINGS)
"""The arrays of `Columns` in their order, and the numbers that each holds."""
_COLUMNS: Final = np.dtype(list(COLUMN_KINDS.items()))
SELECT: Final = READINGS.select(_numbers_of(READINGS))
"""The columns in the order in which `columns_from` wants them; NULL becomes NaN."""
SELECT_UP_TO: Final = SELECT.replace("id > ?", "id > ? and id <= ?")


def columns_from(rows: Iterable[tuple[Any, ...]]) -> Columns:
    """Return rows selected by `SELECT` as Columns."""
    table = np.fromiter(rows, _COLUMNS)
    return Columns(**{name: np.ascontiguousarray(table[name]) for name in COLUMN_KINDS})


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
    names = _OUTLINE.names or ()
    return Outline(**{name: np.ascontiguousarray(both[name]) for name in names})


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
        mean_of(hertz),
        mean_of(known) if len(known) else np.nan,
        np.bitwise_or.reduce(columns.flags[part]),
    )


def mean_of(values: NDArray[np.float64]) -> float:
    """Return the mean, also of numbers so absurd that their sum has no bounds."""
    with np.errstate(over="ignore"):
        mean = float(values.mean())
    return mean if np.isfinite(mean) else float((values / len(values)).sum())


# --- only the frequencies of a long run, and the places where it is broken
#
# Fetching a column costs a third of a microsecond a reading, all eight several times
# that; the breaks are few and found by SQLite itself, in a thread beside the fetching.

_THREADED: Final = 200_000  # ids below which a second connection costs more
_SCATTERED: Final = 4  # ids per reading beyond which the index is quicker than a scan
_KEPT: Final = f"flags & {int(Flag.SETTLING)} = 0"
_ENDS: Final = """
select ifnull(min(id), 0), ifnull(max(id), 0) from (
  select (select id from readings where run_id = :run order by id limit 1) as id
  union all
  select (select id from readings where run_id = :run order by id desc limit 1))
"""
_SCAN: Final = "from readings where +run_id = :run and id between :first and :last"
_SEEK: Final = "from readings where run_id = :run and id between :first and :last"
_COUNT: Final = f"""
select count(*) from readings where run_id = :run and id >= :first and id < :last
  and {_KEPT}
"""  # noqa: S608 - a number of our own
_OUTER: Final = f"""
select gate_s, mono_ns from readings where run_id = :run and id between :first and :last
  and {_KEPT} order by id
"""  # noqa: S608
# `n` is the row before in the table: nearly always the reading before, found without
# a search. `p` is the reading before of this run that counts.
_BREAKS: Final = f"""
select r.id, p.mono_ns, r.mono_ns, ifnull(p.utc_ns, -1), ifnull(r.utc_ns, -1),
  ifnull(p.segment_id, 0), ifnull(r.segment_id, 0), r.flags & {int(Flag.TURN)} <> 0
from readings r left join readings n on n.id = r.id - 1
  join readings p on p.id = case
    when n.run_id = :run and n.{_KEPT} then n.id
    else (select q.id from readings q where q.run_id = :run and q.id < r.id
      and q.{_KEPT} order by q.id desc limit 1) end
where +r.run_id = :run and r.id between :first and :last and r.{_KEPT} and (
  r.flags & {int(Flag.GAP_BEFORE | Flag.TURN)} or r.segment_id <> p.segment_id
  or abs(r.gate_s - p.gate_s) > {GATE_CHANGE} * r.gate_s or r.mono_ns <= p.mono_ns
  or (n.id is not p.id and exists (select 1 from readings s where s.run_id = :run
    and s.id > p.id and s.id < r.id)))
order by r.id
"""  # noqa: S608
_BREAK: Final = np.dtype(
    [
        ("id", "i8"),
        ("mono_ns", "i8", (2,)),
        ("utc_ns", "i8", (2,)),
        ("segment", "i8", (2,)),
        ("turns", "?"),
    ]
)

Span = dict[str, int]


def frequencies(
    connection: Connection, another: Callable[[], Connection], run_id: int, count: int
) -> Frequencies:
    """Return the frequencies of a run; `count` is about how many readings it has.

    `another` opens one more connection to the same file, for the thread beside.
    """
    first, last = connection.execute(_ENDS, {"run": run_id}).fetchone()
    span = {"run": run_id, "first": first, "last": last}
    scattered = last - first > _SCATTERED * count
    select = f"select frequency_hz {_SEEK if scattered else _SCAN} and {_KEPT}"
    if last - first < _THREADED:
        hertz, broken = _column(connection, select, span), _broken(connection, span)
    else:
        with ThreadPoolExecutor(1) as pool:
            beside = pool.submit(_broken_beside, another, span)
            hertz = _column(connection, select, span)
            broken = beside.result()
    return _assembled(connection, span, hertz, broken)


def _column(connection: Connection, select: str, span: Span) -> NDArray[np.float64]:
    rows = connection.execute(f"{select} order by id", span)
    return np.fromiter(chain.from_iterable(rows), np.float64)


def _broken_beside(another: Callable[[], Connection], span: Span) -> NDArray[Any]:
    with closing(another()) as connection:
        return _broken(connection, span)


def _broken(connection: Connection, span: Span) -> NDArray[Any]:
    rows = connection.execute(_BREAKS, span)
    return np.fromiter((_nested(row) for row in rows), _BREAK)


def _nested(row: Sequence[Any]) -> tuple[Any, ...]:
    return row[0], row[1:3], row[3:5], row[5:7], row[7]


def _assembled(
    connection: Connection,
    span: Span,
    hertz: NDArray[np.float64],
    broken: NDArray[Any],
) -> Frequencies:
    breaks = Breaks(
        _places(connection, span, len(hertz), broken["id"]),
        np.ascontiguousarray(broken["id"]),
        np.ascontiguousarray(broken["mono_ns"]),
        np.ascontiguousarray(broken["utc_ns"]),
        np.ascontiguousarray(broken["segment"]),
        np.ascontiguousarray(broken["turns"]),
    )
    if not len(hertz):
        return Frequencies(hertz, 0.0, 0, breaks)
    _, begin_ns = connection.execute(f"{_OUTER} limit 1", span).fetchone()
    gate_s, end_ns = connection.execute(f"{_OUTER} desc limit 1", span).fetchone()
    return Frequencies(hertz, float(gate_s), end_ns - begin_ns, breaks)


def _places(
    connection: Connection, span: Span, count: int, ids: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Return how many readings come before each of these."""
    if count == span["last"] - span["first"] + 1:  # nothing of another run between
        return ids - span["first"]
    begins = [span["first"], *ids.tolist()[:-1]]
    counts = [
        connection.execute(_COUNT, {**span, "first": a, "last": b}).fetchone()[0]
        for a, b in zip(begins, ids.tolist(), strict=False)
    ]
    return np.cumsum(np.array(counts, dtype=np.int64))


# --- imported phase

SELECT_PHASES: Final = PHASES.select(("mono_ns", "phase_s", "flags"))
_PHASE: Final = np.dtype([("mono_ns", "i8"), ("phase_s", "f8"), ("flags", "i8")])


def phases_from(rows: Iterable[tuple[Any, ...]]) -> Phases:
    """Return rows selected by `SELECT_PHASES` as Phases."""
    table = np.fromiter(rows, _PHASE)
    names = _PHASE.names or ()
    return Phases(**{name: np.ascontiguousarray(table[name]) for name in names})


# --- edges of a run as arrays, with the ambient values logged beside them

_EDGE_KINDS: Final = _kinds_of(EDGES)
SELECT_EDGES: Final = EDGES.select((*_numbers_of(EDGES), "instrument"))
SELECT_AMBIENT: Final = """
select id, value, flags, mono_ns from conditions
where run_id = ? and id > ? and quantity = 'ambient' order by id
"""

Row = tuple[Any, ...]


def pulses_from(
    edges: Sequence[Row], ambient: Sequence[Row], after_condition: int
) -> Pulses:
    """Return rows of the two queries as one noun."""
    *numbers, instruments = _turned(edges, len(_EDGE_KINDS) + 1)
    ids, values, flags, mono_ns = _turned(ambient, 4)
    arrays = {
        name: np.array(numbers_of, kind)
        for (name, kind), numbers_of in zip(_EDGE_KINDS.items(), numbers, strict=True)
    }
    return Pulses(
        **arrays,
        instrument=np.array(instruments, np.str_),
        ambient_c=values,
        typed=any(one & Flag.AMBIENT_TYPED for one in flags),
        last_condition=ids[-1] if ids else after_condition,
        ambient_mono_ns=mono_ns,
    )


def _turned(rows: Sequence[Row], width: int) -> list[Row]:
    """Return the columns of rows that are `width` wide, also of none."""
    return list(zip(*rows, strict=True)) or [()] * width
