"""Lots: opened with a plan that stays, decided as often as more is known."""

import json
from typing import Final

from benchlog.errors import StoreRefusedError
from benchlog.model import Lot, LotRun, Part
from benchlog.store.parameters import text
from benchlog.store.row_mapping import AMENDED, NEWEST_VERDICT, Named
from benchlog.store.run_rows import put_part
from benchlog.store.snapshot import dump
from benchlog.store.sqlite import Connection

LOTS: Final = """
select lot, part_id, supplier, size, plan, decision, opened_utc_ns from lots
where (:lot is null or lot = :lot) and (:part is null or part_id = :part)
order by opened_utc_ns, id
"""
PART_OF: Final = "select body from parts where id = ?"
_NEWEST_OF: Final = """ifnull((select e.kind from events e where e.run_id = u.id
    and e.kind in ({}) order by e.id desc limit 1) <> {}, 0)"""
SET_ASIDE: Final = _NEWEST_OF.format("'set-aside', 'held', 'restored'", "'restored'")
DAMAGED: Final = _NEWEST_OF.format("'damaged', 'undamaged'", "'undamaged'")
"""Whether a run of `u` is set aside, damaged: what a person takes back stays, and the
newest of these events tells."""
LOT_RUNS: Final = f"""{AMENDED}
select u.id as run, ifnull(a.new, d.device) as device, u.position, u.started_utc_ns,
  u.ended_how, v.word, v.offset_ppm, v.u_ppm, v.limit_ppm,
  json_extract(v.figures, '$.ambient_c.mean') as ambient_c,
  json_extract(v.figures, '$.readings') as readings,
  w.why is not null or {SET_ASIDE} as set_aside, {DAMAGED} as damaged,
  u.simulated, ifnull((select text from events e where w.why is null
    and e.kind = 'held' and e.id = (select max(id) from events e where e.run_id = u.id
      and e.kind in ('set-aside', 'held', 'restored'))), '') as held
from runs u join devices d on d.id = u.device_id join lots l on l.id = d.lot_id
  left join verdicts v on v.id = {NEWEST_VERDICT}
  left join renamed a on a.run_id = u.id left join voided w on w.run_id = u.id
where l.lot = :lot and l.part_id = :part and u.purpose = 'inspect'
order by u.id
"""  # noqa: S608 - our own text
_PUT: Final = """
insert into lots (lot, part_id, supplier, size, plan, opened_utc_ns)
values (:lot, :part, :supplier, :size, :plan, :now)
on conflict (part_id, lot) do update set supplier = excluded.supplier,
  size = excluded.size, plan = excluded.plan where lots.plan is null
"""


def open_lot(connection: Connection, lot: Lot, part: Part, now_utc_ns: int) -> None:
    """Insert a lot with its plan; in the caller's transaction.

    A lot whose name is known without a plan is given this one. Raises
    StoreRefusedError when it has a plan already: that stays.
    """
    put_part(connection, part)
    row = {
        "lot": text("lot", lot.lot),
        "part": part.id,
        "supplier": text("supplier", lot.supplier),
        "size": lot.size,
        "plan": dump(lot.plan),
        "now": now_utc_ns,
    }
    if connection.execute(_PUT, row).rowcount < 1:
        raise StoreRefusedError(
            f"lot {lot.lot!r} of {part.id} has its plan already, and keeps it"
        )


def decide(connection: Connection, part_id: str, lot: str, decision: str) -> None:
    """Note how a lot stands; in the caller's transaction."""
    connection.execute(
        "update lots set decision = ? where part_id = ? and lot = ?",
        (decision, part_id, lot),
    )


def lot_from(row: Named) -> Lot:
    """Rebuild a Lot from a row of `LOTS`."""
    plan = None if row["plan"] is None else json.loads(row["plan"])
    return Lot(**{**row, "plan": plan})


def lot_run_from(row: Named) -> LotRun:
    """Rebuild a LotRun from a row of `LOT_RUNS`."""
    flags = {name: bool(row[name]) for name in ("set_aside", "damaged", "simulated")}
    return LotRun(**{**row, **flags})
