"""Are single rows here already? Those of a file of unsaved rows may be."""

from collections.abc import Mapping, Sequence
from typing import Any, Final

from benchlog.model import Condition, Edge, Event, PhasePoint, Reading
from benchlog.store.logged_tables import (
    CONDITIONS,
    EDGES,
    EVENTS,
    PHASES,
    READINGS,
)
from benchlog.store.parameters import INSERTS
from benchlog.store.rows import Row
from benchlog.store.sqlite import Connection

_TABLES: Final = {
    Reading: READINGS,
    Event: EVENTS,
    Condition: CONDITIONS,
    Edge: EDGES,
    PhasePoint: PHASES,
}


def missing_rows(
    connection: Connection, groups: Mapping[type, Sequence[Row]]
) -> tuple[Row, ...]:
    """Return those rows, grouped by their kind, of which the database has no equal."""
    missing: list[Row] = []
    for kind, rows in groups.items():
        table = _TABLES[kind]
        columns = ", ".join(("run_id", "segment_id", *table.noun_columns))
        query = f"select {columns} from {table.name} where run_id = ? and mono_ns >= ?"  # noqa: S608 - our own names
        first_ns = min(row[2].mono_ns for row in rows)
        here: set[tuple[Any, ...]] = set()
        for run_id in {row[0] for row in rows}:
            here.update(map(tuple, connection.execute(query, (run_id, first_ns))))
        values = INSERTS[kind][1](rows)
        missing += [
            row for row, one in zip(rows, values, strict=True) if one not in here
        ]
    return tuple(missing)
