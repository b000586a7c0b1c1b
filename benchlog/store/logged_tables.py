"""The tables of what is logged in a run, each with its columns: declared here, once.

Statements, exports and arrays take names, order and kinds from here. The schema's steps
are frozen, so a test holds a fresh database against these declarations.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

_OWNED_BY: Final = ("id", "segment_id")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LoggedTable:
    """A table and its columns in the order of the database, with what each holds.

    `run_id` is left out: it comes second in the database and in no export.
    """

    name: str
    kinds: Mapping[str, type]
    may_be_null: frozenset[str]

    @property
    def columns(self) -> tuple[str, ...]:
        """All columns but the run's id, in the order of the database and of exports."""
        return tuple(self.kinds)

    @property
    def noun_columns(self) -> tuple[str, ...]:
        """The columns that are fields of the model's noun, in the order of both."""
        return tuple(name for name in self.kinds if name not in _OWNED_BY)

    @property
    def number_columns(self) -> tuple[str, ...]:
        """The columns that arrays of numbers can hold."""
        return tuple(name for name, kind in self.kinds.items() if kind in (int, float))

    def insert(self) -> str:
        """Return the statement for run id, segment id and the noun's columns."""
        names = ("run_id", "segment_id", *self.noun_columns)
        holes = ", ".join("?" * len(names))
        return f"insert into {self.name} ({', '.join(names)}) values ({holes})"  # noqa: S608 - our own names

    def select(self, columns: Iterable[str]) -> str:
        """Return the query for rows of a run behind an id, at most so many of them."""
        return (
            f"select {', '.join(columns)} from {self.name}"  # noqa: S608 - our own names
            " where run_id = ? and id > ? order by id limit ?"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class LoggedRows:
    """Rows exactly as stored, NULL as None, and the names of their columns.

    A row is a plain tuple: one that is read by name makes an export 8 % slower.
    """

    columns: tuple[str, ...]
    rows: list[tuple[Any, ...]]

    def of(self, column: str) -> list[Any]:
        """Return one column of all rows."""
        at = self.columns.index(column)
        return [row[at] for row in self.rows]

    def __len__(self) -> int:
        return len(self.rows)


READINGS: Final = LoggedTable(
    name="readings",
    kinds={
        "id": int,
        "segment_id": int,
        "utc_ns": int,
        "mono_ns": int,
        "gate_s": float,
        "frequency_hz": float,
        "ambient_c": float,
        "flags": int,
        "raw": str,
    },
    may_be_null=frozenset({"utc_ns", "ambient_c", "raw"}),
)
EVENTS: Final = LoggedTable(
    name="events",
    kinds={
        "id": int,
        "segment_id": int,
        "utc_ns": int,
        "mono_ns": int,
        "kind": str,
        "text": str,
        "instrument": str,
        "raw": bytes,
    },
    may_be_null=frozenset({"segment_id", "raw"}),
)
CONDITIONS: Final = LoggedTable(
    name="conditions",
    kinds={
        "id": int,
        "segment_id": int,
        "utc_ns": int,
        "mono_ns": int,
        "quantity": str,
        "value": float,
        "unit": str,
        "instrument": str,
        "flags": int,
        "raw": str,
    },
    may_be_null=frozenset({"raw"}),
)
EDGES: Final = LoggedTable(
    name="edges",
    kinds={
        "id": int,
        "segment_id": int,
        "instrument": str,
        "utc_ns": int,
        "mono_ns": int,
        "sequence": int,
        "flags": int,
    },
    may_be_null=frozenset({"utc_ns"}),
)
PHASES: Final = LoggedTable(
    name="phases",
    kinds={
        "id": int,
        "segment_id": int,
        "utc_ns": int,
        "mono_ns": int,
        "phase_s": float,
        "flags": int,
        "raw": str,
    },
    may_be_null=frozenset({"utc_ns", "raw"}),
)
LOGGED: Final = (READINGS, EVENTS, CONDITIONS, EDGES, PHASES)
"""In the order in which a run is merged."""
