"""A run that is here already, and went on there: what it has logged since comes in.

A run that was broken off may be resumed, what happened to a device may be told later,
and rows that waited in a file may be brought back. What is logged is only ever added
to, so what is here must be the beginning of what is there; where it is not, nothing is
brought in.
"""

from collections.abc import Mapping
from typing import Any, Final

from benchlog.store.logged_tables import EVENTS, LOGGED, READINGS, LoggedTable
from benchlog.store.sqlite import Connection

_ENDS: Final = """
select h.ended_utc_ns, o.ended_utc_ns from runs h, other.runs o
where h.id = :here and o.id = :run
"""
_END: Final = """
update runs set (ended_utc_ns, ended_how) = (
  select ended_utc_ns, ended_how from other.runs where id = :run)
where id = :here
"""
_COUNT: Final = """
select (select total(n) from {0}outline where run_id = :run)
  + (select count(*) from {0}readings where run_id = :run and id > ifnull(
    (select max(last_id) from {0}outline where run_id = :run), 0))
  + (select count(*) from {0}edges where run_id = :run)
"""
_SEGMENTS: Final = """
select id, began_utc_ns, began_mono_ns, boot_id from {0}segments where run_id = ?
order by id
"""
_SEGMENT: Final = """
insert into segments (run_id, began_utc_ns, began_mono_ns, boot_id)
values (?, ?, ?, ?)
"""
_BEGINNING: Final = """
select count(*), total(mono_ns % 1000000007), total(gate_s), total(frequency_hz)
from (select mono_ns, gate_s, frequency_hz from {0}readings where run_id = ?
  order by id limit ?)
"""


def bring_in(connection: Connection, run: int, here: int) -> int | None:
    """Bring in what a run there has logged since; return how many readings.

    None where the two do not begin alike. In the caller's transaction.
    """
    ended_here, ended_there = connection.execute(
        _ENDS, {"run": run, "here": here}
    ).fetchone()
    is_later = ended_here is not None and ended_there > ended_here
    has_more = ended_there == ended_here and _count(connection, "other.", run) > _count(
        connection, "", here
    )
    if not (is_later or has_more):
        segments = _segments(connection, run, here, add=False)
        if segments is not None:
            connection.execute(_events(segments), {"run": run, "here": here})
        return 0
    if not _begins_alike(connection, run, here):
        return None
    segments = _segments(connection, run, here, add=True)
    if segments is None:
        return None
    readings = 0
    for table in LOGGED:
        sql = _events(segments) if table is EVENTS else _rest(table, segments)
        count = connection.execute(sql, {"run": run, "here": here}).rowcount
        readings += count if table is READINGS else 0
    connection.execute(_END, {"run": run, "here": here})
    return readings


def _count(connection: Connection, schema: str, run: int) -> int:
    """Return how many readings and pulses a run has; most were counted before."""
    found = connection.execute(_COUNT.format(schema), {"run": run}).fetchone()
    return int(found[0])


def _begins_alike(connection: Connection, run: int, here: int) -> bool:
    count = connection.execute(
        "select count(*) from readings where run_id = ?", (here,)
    ).fetchone()[0]
    ours = connection.execute(_BEGINNING.format(""), (here, count)).fetchone()
    theirs = connection.execute(_BEGINNING.format("other."), (run, count)).fetchone()
    return bool(ours == theirs)


def _segments(
    connection: Connection, run: int, here: int, *, add: bool
) -> dict[int, int] | None:
    """Return the segments there by those here; None where they are others."""
    ours = connection.execute(_SEGMENTS.format(""), (here,)).fetchall()
    theirs = connection.execute(_SEGMENTS.format("other."), (run,)).fetchall()
    if [one[1:] for one in theirs[: len(ours)]] != [one[1:] for one in ours]:
        return None
    found = {there[0]: one[0] for there, one in zip(theirs, ours, strict=False)}
    for number, *began in theirs[len(ours) :] if add else ():
        added = connection.execute(_SEGMENT, (here, *began)).lastrowid
        found[number] = int(added or 0)
    return found


def _rest(table: LoggedTable, segments: Mapping[int, int]) -> str:
    """Return what copies the rows of a run behind as many as are here."""
    plain = ", ".join(table.noun_columns)
    return (
        f"insert into {table.name} (run_id, segment_id, {plain})"  # noqa: S608 - ours
        f" select :here, {renumbered(segments)}, {plain} from other.{table.name}"
        " where run_id = :run order by id limit -1 offset"
        f" (select count(*) from {table.name} where run_id = :here)"
    )


def _events(segments: Mapping[int, int]) -> str:
    """Return what copies the events of a run that are not here, but those of merges."""
    plain = ", ".join(EVENTS.noun_columns)
    return (
        f"insert into events (run_id, segment_id, {plain})"  # noqa: S608 - ours
        f" select :here, {renumbered(segments)}, {plain} from other.events o"
        " where run_id = :run and not (kind = 'note' and text like 'merged from %')"
        " and not exists (select 1 from events h where h.run_id = :here"
        " and h.utc_ns = o.utc_ns and h.mono_ns = o.mono_ns and h.kind = o.kind"
        " and h.text = o.text) order by id"
    )


def renumbered(segments: Mapping[int, Any]) -> str:
    """Return SQL for the segment here of a row there."""
    told = "case segment_id"
    for there, now in segments.items():
        told += f" when {int(there)} then {int(now or 0)}"
    return told + " end" if segments else "case when 0 then null end"
