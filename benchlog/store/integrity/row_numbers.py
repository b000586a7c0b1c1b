"""Numbers of rows that are yet to come, which a stranger's database may have set.

SQLite gives a row the highest number so far, plus one; where that is the highest there
is, any. Readings would come in any order then, and with numbers below zero no reader
would see them. Rows can be there of a run that was never begun: it would begin judged,
void, in quarantine, or with figures that are not its own.
"""

from collections.abc import Iterable
from typing import Final

from benchlog.errors import StoreDamagedError
from benchlog.store.integrity.quarantine import RUN
from benchlog.store.sqlite import Connection

_OF_RUNS: Final = (
    *("segments", "readings", "edges", "conditions", "events", "phases", "verdicts"),
    *("amendments", "outline", "packed"),
)
_NUMBERED: Final = (
    *("runs", "devices", "lots", "instruments", "quarantine", "reference_checks"),
    *(table for table in _OF_RUNS if table not in ("outline", "packed")),
)
_MOST: Final = 2**62
"""Our rule: half of the numbers there are; who counts to it from 1 needs ages."""
_HIGHEST_RUN: Final = {
    "runs": "select max(id) from runs",
    "reference_checks": "select max(run_id) from reference_checks",
    "quarantine": f"select max(number) from quarantine where record = '{RUN}'",  # noqa: S608
    **{table: f"select max(run_id) from {table}" for table in _OF_RUNS},  # noqa: S608
}
_TABLES: Final = "select name from sqlite_master where type = 'table'"


def refuse_odd_numbers(connection: Connection) -> None:
    """Raise StoreDamagedError where rows to come would not be numbered upwards from 1.

    Takes a look at the end of each table.
    """
    highest = {
        table: connection.execute(f"select max(id) from {table}").fetchone()[0]  # noqa: S608 - our names
        for table in _there(connection, _NUMBERED)
    }
    highest["runs, told by other rows"] = next_run(connection) - 1
    for table, number in highest.items():
        if number is not None and not 0 <= number <= _MOST:
            raise StoreDamagedError(
                "the database is damaged, or somebody made it so: with a number of "
                f"{number} in {table}, rows that are added would not be in their "
                "order; merge it into another database, and go on there"
            )


def next_run(connection: Connection) -> int:
    """Return the number of the next run: above all that any row tells of."""
    told = [_HIGHEST_RUN[table] for table in _there(connection, _HIGHEST_RUN)]
    found = connection.execute(" union all ".join(told)).fetchall()
    return 1 + max((number for (number,) in found if number is not None), default=0)


def _there(connection: Connection, tables: Iterable[str]) -> list[str]:
    """Return those of `tables` that a database, of whatever version, has."""
    names = {name for (name,) in connection.execute(_TABLES).fetchall()}
    return [table for table in tables if table in names]
