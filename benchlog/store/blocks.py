"""The outline: per run and 1,024 readings one row, derived and rebuildable.

The writer adds a row in the transaction that fills a block; what has no row yet (the
open end of a run, or a database whose outline was dropped) the reader works out.
"""

from collections.abc import Mapping
from typing import Final

from benchlog.model import Flag
from benchlog.store.sqlite import Connection

BLOCK: Final = 1024
_FLAGS_ORED: Final = " | ".join(f"max(flags & {flag.value})" for flag in Flag if flag)
_ADD: Final = f"""
with block as materialized (
  select * from readings where run_id = :run and id > :after order by id limit {BLOCK}
), figures as (
  select min(id) as first_id, max(id) as last_id, count(*) as n,
    min(frequency_hz) as low, max(frequency_hz) as high,
    avg(frequency_hz) as mean, avg(ambient_c) as ambient,
    {_FLAGS_ORED} as flags
  from block
)
insert into outline (run_id, first_id, last_id, n, t0_utc_ns, t1_utc_ns, t0_mono_ns,
  t1_mono_ns, min_hz, max_hz, mean_hz, ambient_mean_c, flags)
select :run, first_id, last_id, n, a.utc_ns, b.utc_ns, a.mono_ns, b.mono_ns, low, high,
  mean, ambient, f.flags
from figures f join readings a on a.id = first_id join readings b on b.id = last_id
"""  # noqa: S608 - only our own constants
_OPEN_END: Final = """
select count(*) from readings where run_id = :run and id > :after
"""


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
        after = last_outlined(self._connection, run_id)
        found = self._connection.execute(_OPEN_END, {"run": run_id, "after": after})
        return int(found.fetchone()[0])

    def _fill(self, run_id: int) -> None:
        after = last_outlined(self._connection, run_id)
        self._connection.execute(_ADD, {"run": run_id, "after": after})


def last_outlined(connection: Connection, run_id: int) -> int:
    """Return the id of the last reading that the outline covers, 0 if none."""
    found = connection.execute(
        "select last_id from outline where run_id = ? order by first_id desc limit 1",
        (run_id,),
    ).fetchone()
    return 0 if found is None else int(found[0])
