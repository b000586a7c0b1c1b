"""The outline: per run and 1,024 readings one row, derived and rebuildable.

The writer adds a row in the transaction that fills a block; what has no row yet (the
open end of a run, or a database whose outline was dropped) the reader works out.
"""

from collections.abc import Mapping
from functools import reduce
from operator import or_
from typing import Any, Final

from benchlog.store.sqlite import Connection

BLOCK: Final = 1024
_BLOCK_OF: Final = """
select max(id), count(*), min(frequency_hz), max(frequency_hz),
  avg(frequency_hz), avg(ambient_c), min(flags), max(flags)
from (select id, frequency_hz, ambient_c, flags from readings
  where run_id = ? and id > ? order by id limit ?)
"""
_FIRST_OF: Final = """
select id from readings where run_id = ? and id > ? order by id limit 1
"""
_TIMES_OF: Final = "select utc_ns, mono_ns from readings where id = ?"
_FLAGS_OF: Final = """
select distinct flags from readings where run_id = ? and id between ? and ?
"""
_ADD: Final = """
insert into outline (run_id, first_id, last_id, n, min_hz, max_hz, mean_hz,
  ambient_mean_c, flags, t0_utc_ns, t0_mono_ns, t1_utc_ns, t1_mono_ns)
values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
"""
_OPEN_END: Final = "select count(*) from readings where run_id = ? and id > ?"


class Blocks:
    """What of each run is not in the outline yet; belongs to one writer."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection
        self._open: dict[int, int] = {}
        self._tentative: dict[int, int] = {}

    def grow(self, added: Mapping[int, int]) -> None:
        """Note readings just inserted, per run, and fill blocks; in the transaction."""
        self._tentative = dict(self._open)
        for run_id, count in added.items():
            known = self._open.get(run_id)
            waiting = self._count(run_id) if known is None else known + count
            while waiting >= BLOCK:
                self._fill(run_id)
                waiting -= BLOCK
            self._tentative[run_id] = waiting

    def keep(self) -> None:
        """Believe what `grow` did: its transaction was committed."""
        self._open = self._tentative

    def rebuild(self, run_id: int) -> None:
        """Make the outline of one run anew; in the transaction."""
        self._connection.execute("delete from outline where run_id = ?", (run_id,))
        self._open.pop(run_id, None)
        self.grow({run_id: 0})

    def _count(self, run_id: int) -> int:
        after_id = last_outlined(self._connection, run_id)
        return int(self._one(_OPEN_END, (run_id, after_id))[0])

    def _fill(self, run_id: int) -> None:
        after_id = last_outlined(self._connection, run_id)
        first_id = self._one(_FIRST_OF, (run_id, after_id))[0]
        *figures, low, high = self._one(_BLOCK_OF, (run_id, after_id, BLOCK))
        last_id, flags = figures[0], low
        if low != high:
            found = self._connection.execute(_FLAGS_OF, (run_id, first_id, last_id))
            flags = reduce(or_, (one for (one,) in found))
        times = (*self._one(_TIMES_OF, (first_id,)), *self._one(_TIMES_OF, (last_id,)))
        self._connection.execute(_ADD, (run_id, first_id, *figures, flags, *times))

    def _one(self, sql: str, values: tuple[int, ...]) -> tuple[Any, ...]:
        found: tuple[Any, ...] = self._connection.execute(sql, values).fetchone()
        return found


def last_outlined(connection: Connection, run_id: int) -> int:
    """Return the id of the last reading that the outline covers, 0 if none."""
    found = connection.execute(
        "select last_id from outline where run_id = ? order by first_id desc limit 1",
        (run_id,),
    ).fetchone()
    return 0 if found is None else int(found[0])
