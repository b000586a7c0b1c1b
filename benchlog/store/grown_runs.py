"""A run that is here already, and went on there: what it has logged since comes in.

A run that was broken off may be resumed, what happened to a device may be told later,
and rows that waited in a file may be brought back. What is logged is only ever added
to, so what is here must be the beginning of what is there; where it is not, nothing is
brought in. Two databases may also have gone on with one run, each with devices and
hands of its own: what is said of it there is then not said of the readings here.
"""

from collections.abc import Mapping
from enum import Enum
from typing import Any, Final

from benchlog.store.last_words import last_words_kept
from benchlog.store.logged_tables import EDGES, EVENTS, LOGGED, READINGS, LoggedTable
from benchlog.store.sqlite import Connection

_OTHER: Final = "other."
_COUNTING: Final = "'set-aside', 'held', 'restored', 'ended'"
"""Events that tell how a run ended, and whether it counts."""
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


class RunThere(Enum):
    """What a run there has that is the same run as one here."""

    SAME = "the same readings"
    GROWN = "more readings; they came in"
    BEHIND = "the first of those that are here"
    APART = "others"


def bring_in(connection: Connection, run: int, here: int) -> tuple[RunThere, int]:
    """Bring in what a run there has logged since; return how many readings came.

    It has grown by pulses, too. In the caller's transaction.
    """
    ended_here, ended_there = connection.execute(
        _ENDS, {"run": run, "here": here}
    ).fetchone()
    count, count_there = (_count(connection, *of) for of in (("", here), (_OTHER, run)))
    is_later = ended_there > (ended_here or 0)  # or longer, with the clock set back
    if ended_here is None or not (is_later or count_there > count):
        return _earlier(connection, run, here, ended_alike=ended_there == ended_here), 0
    if not _begins_alike(connection, ("", here), (_OTHER, run)):
        return RunThere.APART, 0
    segments = _segments(connection, run, here, add=True)
    if segments is None:
        return RunThere.APART, 0
    added: dict[str, int] = {}
    for table in LOGGED:
        sql = _events(segments) if table is EVENTS else _rest(table, segments)
        with last_words_kept(connection, run, here):
            done = connection.execute(sql, {"run": run, "here": here})
        added[table.name] = done.rowcount
    connection.execute(_END, {"run": run, "here": here})
    readings, pulses = added[READINGS.name], added[EDGES.name]
    return (RunThere.GROWN if readings or pulses else RunThere.SAME), readings


def _earlier(
    connection: Connection, run: int, here: int, *, ended_alike: bool
) -> RunThere:
    """Bring in what happened to the device, of a run that has no more readings there.

    Whether a run counts that was cut there, as a copy is of what goes on, tells nothing
    of the one that went on here.
    """
    segments = _segments(connection, run, here, add=False)
    counts = (_count(connection, *of) for of in (("", here), (_OTHER, run)))
    is_same = ended_alike and len(set(counts)) == 1
    if segments is None or not (
        is_same or _begins_alike(connection, (_OTHER, run), ("", here))
    ):
        return RunThere.APART
    still_open = None if ended_alike else _COUNTING
    with last_words_kept(connection, run, here):
        connection.execute(_events(segments, still_open), {"run": run, "here": here})
    return RunThere.SAME if is_same else RunThere.BEHIND


def _count(connection: Connection, schema: str, run: int) -> int:
    """Return how many readings and pulses a run has; most were counted before."""
    found = connection.execute(_COUNT.format(schema), {"run": run}).fetchone()
    return int(found[0])


def _begins_alike(
    connection: Connection, first: tuple[str, int], whole: tuple[str, int]
) -> bool:
    """Whether the readings of one run are the first ones of another; schema and run."""
    count = connection.execute(
        f"select count(*) from {first[0]}readings where run_id = ?",  # noqa: S608 - ours
        (first[1],),
    ).fetchone()[0]
    sums = [
        connection.execute(_BEGINNING.format(schema), (run, count)).fetchone()
        for schema, run in (first, whole)
    ]
    return bool(sums[0] == sums[1])


def _segments(
    connection: Connection, run: int, here: int, *, add: bool
) -> dict[int, int] | None:
    """Return the segments here by those there; None where they are others.

    With `add` further ones there come in; without, none may be there.
    """
    ours = connection.execute(_SEGMENTS.format(""), (here,)).fetchall()
    theirs = connection.execute(_SEGMENTS.format("other."), (run,)).fetchall()
    first, whole = (ours, theirs) if add else (theirs, ours)
    if [one[1:] for one in whole[: len(first)]] != [one[1:] for one in first]:
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


def _events(segments: Mapping[int, int], but: str | None = None) -> str:
    """Return what copies the events of a run that are not here, but those of merges.

    `but` are kinds that stay there.
    """
    plain = ", ".join(EVENTS.noun_columns)
    but = "" if but is None else f" and kind not in ({but})"
    return (
        f"insert into events (run_id, segment_id, {plain})"  # noqa: S608 - ours
        f" select :here, {renumbered(segments)}, {plain} from other.events o"
        " where run_id = :run and not (kind = 'note' and text like 'merged from %')"
        f"{but}"
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
