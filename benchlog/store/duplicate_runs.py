"""Is a run here already? It may have come in by itself, by a merge, or by an import.

A run is the same when it has the same UUID. An import that was stopped, or whose file
was changed, has another one, and is a copy all the same: of a run that began at the
same nanosecond, with the same device (as typed) at the same position. That is asked of
what it was first exported from, however often it was handed on.
"""

from collections.abc import Mapping
from typing import Any, Final

from benchlog.store.sqlite import Connection

_KEPT: Final = {"started_utc_ns": int, "device": str, "position": str}
_JSON: Final = "case when json_valid({0}.snapshot) then {0}.snapshot end"
"""A snapshot; null where it is no JSON, which would end the query."""


def _first(run: str, key: str, itself: str) -> str:
    """Return SQL for a property of what a run was first exported from, else its own."""
    first, run_of = (
        f"json_extract({_JSON.format(run)}, '$.origin.{part}.{key}')"
        for part in ("first", "run")
    )
    imported = f"coalesce({first}, {run_of}, {itself})"
    return f"case {run}.purpose when 'import' then {imported} else {itself} end"


HERE: Final = f"""
select r.id from runs r join devices d on d.id = r.device_id
where {_first("r", "started_utc_ns", "r.started_utc_ns")} = :started_utc_ns
  and {_first("r", "device", "d.device")} = :device
  and {_first("r", "position", "r.position")} = :position
order by r.id limit 1
"""  # noqa: S608 - our own text
_ALIKE: Final = f"""
select r.id from other.runs o join other.devices od on od.id = o.device_id
  join runs r join devices d on d.id = r.device_id
where o.id = ?
  and {_first("r", "started_utc_ns", "r.started_utc_ns")}
    = {_first("o", "started_utc_ns", "o.started_utc_ns")}
  and {_first("r", "device", "d.device")} = {_first("o", "device", "od.device")}
  and {_first("r", "position", "r.position")} = {_first("o", "position", "o.position")}
"""  # noqa: S608 - our own text
SAME: Final = """
select r.id, r.snapshot is not without_programs(o.snapshot)
from other.runs o join runs r on r.uid = o.uid where o.id = ?
"""
"""The very run, however it came in; and whether one of the two is an import of it."""
COPIES: Final = f"""{_ALIKE} and r.snapshot != without_programs(o.snapshot)
  and 'import' in (r.purpose, o.purpose) order by r.id"""
"""A run of which one of the two is an import; whether its readings are the same is
another question."""
READ: Final = """
select (select count(*) from {0}readings where run_id = :run),
  (select total(frequency_hz) from {0}readings where run_id = :run),
  (select total(gate_s) from {0}readings where run_id = :run),
  (select total(mono_ns % 1000000007) from {0}readings where run_id = :run),
  (select count(*) from {0}edges where run_id = :run),
  (select total(mono_ns % 1000000007) from {0}edges where run_id = :run)
"""
"""What tells the readings and stamps of two runs apart, in the order they were made."""
_INT64: Final = 2**63


def has_more(connection: Connection, run: int, here: int) -> bool:
    """Whether a run there has more readings or pulses than the one here."""
    there, ours = _read(connection, run, here)
    return bool(there[0] + there[4] > ours[0] + ours[4])


def has_same(connection: Connection, run: int, here: int) -> bool:
    """Whether a run there has the readings and pulses of the one here."""
    there, ours = _read(connection, run, here)
    return bool(there == ours)


def _read(connection: Connection, run: int, here: int) -> list[tuple[Any, ...]]:
    return [
        connection.execute(READ.format(schema), {"run": number}).fetchone()
        for schema, number in (("other.", run), ("", here))
    ]


def first_of(header: Mapping[str, Any]) -> dict[str, Any]:
    """Return what tells the run an export was first made of, from the export's head."""
    snapshot = header.get("snapshot")
    origin = snapshot.get("origin") if isinstance(snapshot, Mapping) else None
    first = origin.get("first") if isinstance(origin, Mapping) else None
    told = first if isinstance(first, Mapping) else header
    return {key: _kept(told.get(key), kind) for key, kind in _KEPT.items()}


def _kept(value: Any, kind: type) -> Any:
    """Return a value that a database can be asked for, else None."""
    if isinstance(value, bool) or not isinstance(value, kind):
        return None
    if isinstance(value, int):
        return value if -_INT64 <= value < _INT64 else None
    return value if _encodes(str(value)) else None


def _encodes(text: str) -> bool:
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True
