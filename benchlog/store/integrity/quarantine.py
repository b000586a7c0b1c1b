"""Records put aside and taken back by rows of their own; no record is changed."""

from collections.abc import Iterator
from typing import Final

from benchlog.errors import NotFoundError, UsageError
from benchlog.store.parameters import text
from benchlog.store.sqlite import Connection

PUT_IN, TAKEN_OUT = "put in", "taken out"
RUN, LOT, CHECK = "run", "lot", "reference check"
RECORDS: Final = {RUN: "runs", LOT: "lots", CHECK: "reference_checks"}
"""What can be put aside, and the table that has it."""
_NEWEST: Final = """
select record, number, reason, at_utc_ns from quarantine q where done = 'put in'
  and not exists(select 1 from quarantine later where later.record = q.record
    and later.number = q.number and later.id > q.id)
order by record, number
"""
_ADD: Final = """
insert into quarantine (record, number, done, reason, at_utc_ns, software)
values (?, ?, ?, ?, ?, ?)
"""
Record = tuple[str, int]
"""One of `RECORDS`, and its number."""


def in_quarantine(connection: Connection) -> dict[Record, str]:
    """Return what is in quarantine now, each with the reason."""
    rows = connection.execute(_NEWEST).fetchall()
    return {(record, number): reason for record, number, reason, _ in rows}


def put_in(
    connection: Connection, record: Record, reason: str, now: tuple[int, str]
) -> bool:
    """Put a record aside, unless it is; in the caller's transaction.

    `now` is when, and the version that does it. Raises NotFoundError.
    """
    _refuse_unknown(connection, record)
    if record in in_quarantine(connection):
        return False
    connection.execute(_ADD, (*record, PUT_IN, text("reason", reason), *now))
    return True


def release(
    connection: Connection, record: Record, reason: str, now: tuple[int, str]
) -> None:
    """Take a record back; in the caller's transaction.

    Raises UsageError for one that is not in quarantine.
    """
    held = in_quarantine(connection)
    if record not in held:
        known = ", ".join(_names(held)) or "nothing is"
        raise UsageError(f"{record[0]} {record[1]} is not in quarantine; {known}")
    connection.execute(_ADD, (*record, TAKEN_OUT, text("reason", reason), *now))


def _names(held: dict[Record, str]) -> Iterator[str]:
    for kind, number in held:
        yield f"{kind} {number} is"


def _refuse_unknown(connection: Connection, record: Record) -> None:
    table = RECORDS[record[0]]
    sql = f"select id from {table} where id = ?"  # noqa: S608 - our own names
    if connection.execute(sql, (record[1],)).fetchone() is None:
        raise NotFoundError(record[0], str(record[1]), ())
