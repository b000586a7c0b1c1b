"""The tables over there: columns, keys, and which rows are the same row.

A run is the same run wherever it is told of: its UUID is its key. What is numbered in
a run (readings, segments) has its number in the run as its key; of everything else that
is said of a run the content is the key, as two copies of it may each have been told
something later.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from benchlog.store.logged_tables import LOGGED, READINGS

SCHEMA: Final = "benchlog"

_TEXT, _WHOLE, _REAL, _YES = "text", "bigint", "double precision", "boolean"
_TYPES: Final = {int: _WHOLE, float: _REAL, str: _TEXT, bytes: "bytea"}


@dataclass(frozen=True, slots=True, kw_only=True)
class CentralTable:
    """A table over there: its columns with their types, and its key."""

    name: str
    columns: Mapping[str, str]
    """Type by name; ` not null` where it holds."""
    key: tuple[str, ...]
    by_month: bool = False
    """Whether it is partitioned by the month in which the run began."""
    numbered: bool = False
    """Whether its rows are numbered in their run."""

    @property
    def sent(self) -> tuple[str, ...]:
        """The columns that come with a row; `seq` is counted over there."""
        return tuple(name for name in self.columns if name != "seq")


def _of_run(name: str, columns: Mapping[str, str]) -> CentralTable:
    """Return a table of what is said of runs, keyed by its content."""
    first = {
        "run_uid": "uuid not null",
        "digest": "uuid not null",
        "source": "uuid not null",
        "row": f"{_WHOLE} not null",
    }
    last = {"seq": "bigint generated always as identity"}
    columns = {**first, **columns, **last}
    return CentralTable(name=name, columns=columns, key=("run_uid", "digest"))


RUNS: Final = CentralTable(
    name="runs",
    columns={
        "run_uid": "uuid not null",
        "source": "uuid not null",
        "run": f"{_WHOLE} not null",
        "purpose": f"{_TEXT} not null",
        "made_for": f"{_TEXT} not null",
        "device": f"{_TEXT} not null",
        "part": f"{_TEXT} not null",
        "lot": _TEXT,
        "position": f"{_TEXT} not null",
        "bench": f"{_TEXT} not null",
        "nominal_hz": f"{_REAL} not null",
        "divider": f"{_REAL} not null",
        "simulated": f"{_YES} not null",
        "started_utc_ns": f"{_WHOLE} not null",
        "ended_utc_ns": _WHOLE,
        "ended_how": _TEXT,
        "how": _TEXT,
        "planned": f"{_YES} not null",
        "operator": f"{_TEXT} not null",
        "note": f"{_TEXT} not null",
        "software": f"{_TEXT} not null",
        "resolution_hz": _REAL,
        "counter": _TEXT,
        "counter_serial": _TEXT,
        "snapshot": "jsonb",
    },
    key=("run_uid",),
)
PARTS: Final = CentralTable(
    name="parts",
    columns={
        "source": "uuid not null",
        "part": f"{_TEXT} not null",
        "title": f"{_TEXT} not null",
        "kind": f"{_TEXT} not null",
        "nominal_hz": f"{_REAL} not null",
        "body": "jsonb",
    },
    key=("source", "part"),
)
LOTS: Final = CentralTable(
    name="lots",
    columns={
        "source": "uuid not null",
        "part": f"{_TEXT} not null",
        "lot": f"{_TEXT} not null",
        "supplier": f"{_TEXT} not null",
        "size": _WHOLE,
        "plan": "jsonb",
        "decision": _TEXT,
        "opened_utc_ns": f"{_WHOLE} not null",
    },
    key=("source", "part", "lot"),
)
DEVICES: Final = CentralTable(
    name="devices",
    columns={
        "device": f"{_TEXT} not null",
        "part": f"{_TEXT} not null",
        "lot": f"{_TEXT} not null",
    },
    key=("part", "lot", "device"),
)
"""A device without a lot has the empty text there."""
SEGMENTS: Final = CentralTable(
    name="segments",
    columns={
        "run_uid": "uuid not null",
        "segment": f"{_WHOLE} not null",
        "began_utc_ns": f"{_WHOLE} not null",
        "began_mono_ns": f"{_WHOLE} not null",
        "boot_id": f"{_TEXT} not null",
    },
    key=("run_uid", "segment"),
    numbered=True,
)
EVENTS: Final = _of_run(
    "events",
    {
        "segment": _WHOLE,
        "utc_ns": f"{_WHOLE} not null",
        "mono_ns": f"{_WHOLE} not null",
        "kind": f"{_TEXT} not null",
        "text": f"{_TEXT} not null",
        "instrument": f"{_TEXT} not null",
        "raw": "bytea",
    },
)
VERDICTS: Final = _of_run(
    "verdicts",
    {
        "at_utc_ns": f"{_WHOLE} not null",
        "word": f"{_TEXT} not null",
        "offset_ppm": _REAL,
        "u_ppm": _REAL,
        "limit_ppm": _REAL,
        "conformance": _REAL,
        "rule": f"{_TEXT} not null",
        "figures": "jsonb",
    },
)
AMENDMENTS: Final = _of_run(
    "amendments",
    {
        "at_utc_ns": f"{_WHOLE} not null",
        "kind": f"{_TEXT} not null",
        "old": _TEXT,
        "new": _TEXT,
        "reason": f"{_TEXT} not null",
        "operator": f"{_TEXT} not null",
    },
)
QUARANTINE: Final = CentralTable(
    name="quarantine",
    columns={
        "source": "uuid not null",
        "row": f"{_WHOLE} not null",
        "run_uid": "uuid",
        "record": f"{_TEXT} not null",
        "number": f"{_WHOLE} not null",
        "done": f"{_TEXT} not null",
        "reason": f"{_TEXT} not null",
        "at_utc_ns": f"{_WHOLE} not null",
    },
    key=("source", "row"),
)
CHECKS: Final = CentralTable(
    name="reference_checks",
    columns={
        "digest": "uuid not null",
        "source": "uuid not null",
        "row": f"{_WHOLE} not null",
        "run_uid": "uuid",
        "maker": f"{_TEXT} not null",
        "model": f"{_TEXT} not null",
        "serial": f"{_TEXT} not null",
        "firmware": f"{_TEXT} not null",
        "identity": f"{_TEXT} not null",
        "offset_ppm": f"{_REAL} not null",
        "u_ppm": f"{_REAL} not null",
        "method": f"{_TEXT} not null",
        "at_utc_ns": f"{_WHOLE} not null",
        "valid_until_utc_ns": f"{_WHOLE} not null",
    },
    key=("digest",),
)


def _bulk() -> dict[str, CentralTable]:
    found = {}
    for logged in LOGGED:
        if logged.name == EVENTS.name:
            continue
        columns = {
            "run_uid": "uuid not null",
            "n": f"{_WHOLE} not null",
            "month": "date not null",
            "segment": f"{_WHOLE} not null",
        }
        for name in logged.noun_columns:
            null = "" if name in logged.may_be_null else " not null"
            columns[name] = _TYPES[logged.kinds[name]] + null
        found[logged.name] = CentralTable(
            name=logged.name,
            columns=columns,
            key=("run_uid", "n", "month"),
            by_month=True,
            numbered=True,
        )
    return found


BULK: Final = _bulk()
"""What is logged by the 100,000: readings, conditions, edges, phases."""
SMALL: Final = {
    one.name: one
    for one in (
        *(DEVICES, RUNS, SEGMENTS, EVENTS, VERDICTS, AMENDMENTS),
        *(QUARANTINE, CHECKS),
    )
}
"""What goes over always, in this order."""
TAILED: Final = {**SMALL, **{READINGS.name: BULK[READINGS.name]}, **BULK}
"""All that is sent row behind row."""
TABLES: Final = {**TAILED, PARTS.name: PARTS, LOTS.name: LOTS}

SOURCES: Final = CentralTable(
    name="sources",
    columns={
        "source": "uuid not null",
        "place": f"{_TEXT} not null",
        "host": f"{_TEXT} not null",
        "software": f"{_TEXT} not null",
        "first_seen": "timestamp with time zone not null",
    },
    key=("source",),
)
WATERMARKS: Final = CentralTable(
    name="watermarks",
    columns={
        "source": "uuid not null",
        "kind": f"{_TEXT} not null",
        "up_to": f"{_WHOLE} not null",
        "digest": f"{_TEXT} not null",
        "all_sent_at": "timestamp with time zone not null",
    },
    key=("source", "kind"),
)
STEPS: Final = CentralTable(
    name="schema_steps",
    columns={
        "step": f"{_WHOLE} not null",
        "done_at": "timestamp with time zone not null",
        "software": f"{_TEXT} not null",
    },
    key=("step",),
)
OWN: Final = (STEPS, SOURCES, WATERMARKS)
"""What the senders themselves keep over there."""
