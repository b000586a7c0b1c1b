"""Only the frequencies of a long run, and the places where it is broken.

Fetching a column costs a third of a microsecond a reading, all eight several times
that; the breaks are few and found by SQLite itself, in a thread beside the fetching.
"""

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from itertools import chain
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from benchlog.model import GATE_CHANGE, Breaks, Flag, Frequencies
from benchlog.store.sqlite import Connection

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
  r.segment_id <> p.segment_id
from readings r left join readings n on n.id = r.id - 1
  join readings p on p.id = case
    when n.run_id = :run and n.{_KEPT} then n.id
    else (select q.id from readings q where q.run_id = :run and q.id < r.id
      and q.{_KEPT} order by q.id desc limit 1) end
where +r.run_id = :run and r.id between :first and :last and r.{_KEPT} and (
  r.flags & {int(Flag.GAP_BEFORE)} or r.segment_id <> p.segment_id
  or abs(r.gate_s - p.gate_s) > {GATE_CHANGE} * r.gate_s or r.mono_ns <= p.mono_ns
  or (n.id is not p.id and exists (select 1 from readings s where s.run_id = :run
    and s.id > p.id and s.id < r.id)))
order by r.id
"""  # noqa: S608
_BREAK: Final = np.dtype(
    [("id", "i8"), ("mono_ns", "i8", (2,)), ("utc_ns", "i8", (2,)), ("turned", "?")]
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
    return row[0], (row[1], row[2]), (row[3], row[4]), row[5]


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
        np.ascontiguousarray(broken["turned"]),
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
