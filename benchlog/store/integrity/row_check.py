"""Rows that cannot be right, found by SQL: of another type, without bounds, foreign.

What a keeper or an import writes passes these rules; what a stranger's program wrote,
or what is left of an overwritten page, may not.
"""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from benchlog.model import EventKind
from benchlog.store.logged_tables import EVENTS, LOGGED, READINGS, LoggedTable
from benchlog.store.snapshot_types import LARGEST
from benchlog.store.sqlite import Connection

_TYPES: Final = {int: "integer", float: "real", str: "text", bytes: "blob"}
_ABOVE_ZERO: Final = ("frequency_hz",)
_NOT_NEGATIVE: Final = ("gate_s", "flags")
_WORDS: Final = "('pass', 'fail', 'undecided')"
_VERDICT: Final = f"""word in {_WORDS} and json_valid(figures)
  and typeof(rule) = 'text' and typeof(at_utc_ns) = 'integer'
  and ifnull(offset_ppm between -{LARGEST} and {LARGEST}, 1)
  and ifnull(u_ppm between 0 and {LARGEST}, 1)
  and ifnull(limit_ppm between 0 and 9e999, 1)
  and ifnull(conformance between 0 and 1, 1)"""
_AMENDMENT: Final = """typeof(kind) = 'text' and typeof(reason) = 'text'
  and typeof(operator) = 'text' and typeof(at_utc_ns) = 'integer'
  and typeof(ifnull(old, '')) = 'text' and typeof(ifnull(new, '')) = 'text'
  and (kind in ('void', 'restore') or new is not null and (
    kind in ('device', 'part', 'lot', 'operator') or kind glob 'mark [1-9]*'))"""
_SEGMENT: Final = """typeof(began_utc_ns) = 'integer'
  and typeof(began_mono_ns) = 'integer' and typeof(boot_id) = 'text'"""
_OTHERS: Final = {
    "verdicts": _VERDICT,
    "amendments": _AMENDMENT,
    "segments": _SEGMENT,
}


def _rule_of(table: LoggedTable) -> str:
    """Return SQL that is true of a row as it should be."""
    rules = []
    for name, kind in table.kinds.items():
        rule = f"typeof({name}) = '{_TYPES[kind]}'"
        if kind is float:
            rule += f" and {name} > -9e999 and {name} < 9e999"  # an infinity is one
        if name in _ABOVE_ZERO:
            rule += f" and {name} > 0"
        if name in _NOT_NEGATIVE:
            rule += f" and {name} >= 0"
        is_optional = name in table.may_be_null
        rules.append(f"({name} is null or {rule})" if is_optional else rule)
    return " and ".join(rules)


RULES: Final = {**{table.name: _rule_of(table) for table in LOGGED}, **_OTHERS}
"""By table what is true of each of its rows."""
LEFT_OPEN: Final = {READINGS.name: "flags >= 0"}
"""What was not looked at as the rows were staged: types and bounds were. A segment that
is none becomes NULL as the rows are brought over, which the table there refuses."""
_OF_RUN: Final = """
select count(*), min(id) from {0}{1} r where run_id = :run and not ifnull(({2}), 0)
"""
_OF_ANOTHER: Final = """
select count(*), min(id) from {0}{1} r where run_id = :run and segment_id is not null
  and segment_id not in (select id from {0}segments where run_id = :run)
"""
_BACKWARDS: Final = """
select count(*), min(id) from (
  select id, mono_ns, lag(mono_ns) over (partition by segment_id order by id) as before,
    segment_id, lag(segment_id) over (order by id) as segment_before
  from {0}readings where run_id = :run)
where mono_ns < before or segment_id < segment_before
"""
_OF_NO_KIND: Final = """
select count(*), min(id) from events where run_id = :run
  and kind not in (select value from json_each(:kinds))
"""


@dataclass(frozen=True, slots=True)
class BadRows:
    """Rows of one run and one table that break a rule; `first_id` is the first's."""

    table: str
    count: int
    first_id: int
    what: str

    def __str__(self) -> str:
        rows = "a row" if self.count == 1 else f"{self.count:,} rows"
        return f"{rows} of {self.table} {self.what} (the first has id {self.first_id})"


def bad_rows(
    connection: Connection, run_id: int, database: str = "", *, is_staged: bool = False
) -> Iterator[BadRows]:
    """Yield what is wrong with the rows of one run; `database` is `other.` or empty.

    `is_staged`: this process made the database, and the run is the only one in it.
    """
    rules = {**RULES, **LEFT_OPEN} if is_staged else RULES
    for table, rule in rules.items():
        sql = _OF_RUN.format(database, table, rule)
        yield from _found(connection, sql, run_id, (table, "hold what cannot be"))
    for one in LOGGED:
        if is_staged and one.name in LEFT_OPEN:
            continue
        sql = _OF_ANOTHER.format(database, one.name)
        told = (one.name, "belong to a segment of another run, or of none")
        yield from _found(connection, sql, run_id, told)


def backward_rows(connection: Connection, run_id: int) -> Iterator[BadRows]:
    """Yield the readings of a run that are earlier than those before them."""
    told = (READINGS.name, "are earlier than the one before")
    yield from _found(connection, _BACKWARDS.format(""), run_id, told)


def events_of_no_kind(connection: Connection, run_id: int) -> Iterator[BadRows]:
    """Yield the events of a run whose kind this version does not know.

    A newer version may; or the kind was one that decides whether the run counts.
    """
    kinds = json.dumps([kind.value for kind in EventKind])
    given = {"run": run_id, "kinds": kinds}
    count, first = connection.execute(_OF_NO_KIND, given).fetchone()
    if count:
        what = "are of a kind that this version does not know"
        yield BadRows(EVENTS.name, count, first, what)


def _found(
    connection: Connection, sql: str, run_id: int, told: tuple[str, str]
) -> Iterator[BadRows]:
    count, first = connection.execute(sql, {"run": run_id}).fetchone()
    if count:
        yield BadRows(told[0], count, first, told[1])
