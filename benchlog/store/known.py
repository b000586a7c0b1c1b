"""Is a run here already? It may have come in by itself, by a merge, or by an import.

A run is the same when it began at the same nanosecond, with the same device (as typed)
at the same position; of an imported run that is asked of what it was first exported
from, however often it was handed on. Two that were measured, here and there, must have
the same snapshot, too.
"""

from collections.abc import Mapping
from typing import Any, Final

_KEPT: Final = {"started_utc_ns": int, "device": str, "position": str}


def _first(run: str, key: str, itself: str) -> str:
    """Return SQL for a property of what a run was first exported from, else its own."""
    there = f"json_extract({run}.snapshot, '$.origin.first.{key}')"
    imported = f"ifnull({there}, {itself})"
    return f"case {run}.purpose when 'import' then {imported} else {itself} end"


HERE: Final = f"""
select r.id from runs r join devices d on d.id = r.device_id
where {_first("r", "started_utc_ns", "r.started_utc_ns")} = :started_utc_ns
  and {_first("r", "device", "d.device")} = :device
  and {_first("r", "position", "r.position")} = :position
order by r.id limit 1
"""  # noqa: S608 - our own text
SAME: Final = f"""
select r.id from other.runs o join other.devices od on od.id = o.device_id
  join runs r join devices d on d.id = r.device_id
where o.id = ?
  and {_first("r", "started_utc_ns", "r.started_utc_ns")}
    = {_first("o", "started_utc_ns", "o.started_utc_ns")}
  and {_first("r", "device", "d.device")} = {_first("o", "device", "od.device")}
  and {_first("r", "position", "r.position")} = {_first("o", "position", "o.position")}
  and (r.snapshot = o.snapshot or 'import' in (r.purpose, o.purpose))
order by r.id limit 1
"""  # noqa: S608 - our own text


def first_of(header: Mapping[str, Any]) -> dict[str, Any]:
    """Return what tells the run an export was first made of, from the export's head."""
    snapshot = header.get("snapshot")
    origin = snapshot.get("origin") if isinstance(snapshot, Mapping) else None
    first = origin.get("first") if isinstance(origin, Mapping) else None
    told = first if isinstance(first, Mapping) else header
    return {
        key: value if isinstance(value := told.get(key), kind) else None
        for key, kind in _KEPT.items()
    }
