"""What has changed in a database since it was last looked at, without reading runs."""

import hashlib
from dataclasses import dataclass
from typing import Final

from benchlog.store import identity
from benchlog.store.read_session import ReadSession

_STATES: Final = "'set-aside', 'held', 'restored', 'damaged', 'undamaged', 'mark'"
"""Events that decide whether a run counts: a partial index has them."""
_TOLD: Final = f"""
select u.id, max(u.started_utc_ns, ifnull(u.ended_utc_ns, 0),
  ifnull((select max(at_utc_ns) from amendments where run_id = u.id), 0),
  ifnull((select max(at_utc_ns) from verdicts where run_id = u.id), 0),
  ifnull((select max(utc_ns) from events where run_id = u.id
    and kind in ({_STATES})), 0))
from runs u
"""  # noqa: S608 - our own text
_STATES_SAID: Final = """
select
  (select max(at_utc_ns) from amendments where run_id = :run
    and kind in ('void', 'restore')) as void_utc_ns,
  (select max(utc_ns) from events where run_id = :run
    and kind in ('set-aside', 'held', 'restored')) as aside_utc_ns,
  (select max(utc_ns) from events where run_id = :run
    and kind in ('damaged', 'undamaged')) as damaged_utc_ns,
  (select max(at_utc_ns) from amendments where run_id = :run
    and kind = 'device') as device_utc_ns,
  (select max(at_utc_ns) from amendments where run_id = :run
    and kind = 'lot') as lot_utc_ns,
  (select max(at_utc_ns) from amendments where run_id = :run
    and kind = 'operator') as operator_utc_ns,
  (select max(at_utc_ns) from (
    select at_utc_ns from verdicts where run_id = :run
    union all select at_utc_ns from amendments where run_id = :run
      and kind = 'part')) as judged_utc_ns
"""
_MARKS: Final = (
    "select count(*), count(ended_utc_ns), total(ended_utc_ns) from runs",
    "select max(id), uid from runs",
    "select max(id), at_utc_ns from amendments",
    "select max(id), at_utc_ns from verdicts",
    "select max(id), at_utc_ns from reference_checks",
    f"select max(id), utc_ns from events where kind in ({_STATES})",  # noqa: S608 - ours
    "select max(id), at_utc_ns from quarantine",
    "select lot, part_id, supplier, size, plan, decision from lots order by id",
    "select id, body from parts order by id",
)
"""What is only ever added to is told by its newest row: by its number and its time.

The number alone may be that of another row, where a file was put back to an older state
and was gone on with. SQLite takes a plain column from the row of the `max`.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class StatesSaid:
    """When each thing that is said of a run was last said, ns UTC; None: never.

    `judged_utc_ns` is when its verdict was given, or its part corrected.
    """

    void_utc_ns: int | None
    aside_utc_ns: int | None
    damaged_utc_ns: int | None
    device_utc_ns: int | None
    lot_utc_ns: int | None
    operator_utc_ns: int | None
    judged_utc_ns: int | None


class ChangeReader(ReadSession):
    """What a copy that is kept elsewhere asks before it reads anything."""

    def database_uid(self) -> str:
        """Return the UUID of the database; that of no other, copied or not."""
        with self._translated():
            return identity.database_uid(self._connection, self.original)

    def elsewhere_until(self) -> int:
        """Return the number up to which runs were begun elsewhere; 0: all here."""
        with self._translated():
            return identity.elsewhere_until(self._connection, self.original)

    def run_uids(self) -> frozenset[str]:
        """Return the UUIDs of all runs, of those that go on, too."""
        return frozenset(uid for (uid,) in self._all("select uid from runs", ()))

    def told_utc_ns(self) -> dict[int, int]:
        """Return by run when something was last said of it: its end, an amendment."""
        return dict(self._all(_TOLD, ()))

    def states_said(self, run_id: int) -> StatesSaid:
        """Return when it was last said if a run is void, of which device, and so on."""
        (row,) = self._named(_STATES_SAID, {"run": run_id})
        return StatesSaid(**row)

    def change_mark(self) -> str:
        """Return a text that is another one once a run, a lot or a part has changed.

        What a run that goes on has read is not in it.
        """
        found = [self._all(sql, ()) for sql in _MARKS]
        return hashlib.sha256(repr(found).encode()).hexdigest()[:32]
