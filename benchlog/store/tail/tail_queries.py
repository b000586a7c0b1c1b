"""The queries for rows behind a row: the row's id first, then the id of its run.

Ids of a table only grow and no row is ever deleted, so an id is a place in the file:
what is committed later lies behind it, whatever the clock tells.
"""

from typing import Final

from benchlog.store.logged_tables import LOGGED
from benchlog.store.schema.quarantine_table import SNAPSHOT

_SELECTED: Final = {
    "devices": "null, t.device, t.part_id, l.lot from devices t"
    " left join lots l on l.id = t.lot_id",
    "runs": "t.id from runs t",
    "segments": "t.run_id, t.began_utc_ns, t.began_mono_ns, t.boot_id from segments t",
    "verdicts": "t.run_id, t.at_utc_ns, t.word, t.offset_ppm, t.u_ppm, t.limit_ppm,"
    " t.conformance, t.rule, t.figures from verdicts t",
    "amendments": "t.run_id, t.at_utc_ns, t.kind, t.old, t.new, t.reason, t.operator"
    " from amendments t",
    "quarantine": "case t.record when 'run' then t.number end, t.record, t.number,"
    " t.done, t.reason, t.at_utc_ns from quarantine t",
    "reference_checks": "t.run_id, i.maker, i.model, i.serial, i.firmware, i.text,"
    " t.offset_ppm, t.u_ppm, t.method, t.at_utc_ns, t.valid_until_utc_ns"
    " from reference_checks t join instruments i on i.id = t.instrument_id",
    **{
        table.name: f"t.run_id, {', '.join(table.columns[1:])} from {table.name} t"
        for table in LOGGED
    },
}
TAILS: Final = {
    kind: f"select t.id, {selected} where t.id > ? order by t.id limit ?"
    for kind, selected in _SELECTED.items()
}
"""By kind: rows behind an id, at most so many."""

_ORIGIN: Final = f"json_extract({SNAPSHOT}, '$.origin.run.{{0}}')"
RUNS: Final = f"""
select u.id, u.uid, u.purpose,
  case when {_ORIGIN.format("purpose")}
      in ('measure', 'inspect', 'soak', 'trim', 'refcheck', 'import')
    then {_ORIGIN.format("purpose")} else u.purpose end,
  d.device, d.part_id, l.lot, u.position, u.bench, u.nominal_hz, u.divider, u.simulated,
  u.started_utc_ns, u.ended_utc_ns, u.ended_how,
  case when u.ended_utc_ns is null then null
    when json_type({SNAPSHOT}, '$.origin.run.ended_how') = 'text'
    then {_ORIGIN.format("ended_how")} else u.ended_how end,
  ifnull(json_extract({SNAPSHOT}, '$.until_clear'), 0) = 1
    or json_extract({SNAPSHOT}, '$.max_readings') is not null
    or json_extract({SNAPSHOT}, '$.max_s') is not null,
  u.operator, u.note, u.software, u.resolution_hz, i.text, i.serial, u.snapshot
from runs u join devices d on d.id = u.device_id left join lots l on l.id = d.lot_id
  left join instruments i on i.id = u.instrument_id
where u.id in (select value from json_each(?)) order by u.id
"""  # noqa: S608 - our own text
"""Runs by their numbers; purpose, end and plan as the view `runs_named` has them."""
NAMES: Final = """
select id, uid, started_utc_ns from runs where id in (select value from json_each(?))
"""
ENDED: Final = """
select id from runs where ended_utc_ns is not null
  and id in (select value from json_each(?))
"""
SEGMENT_NUMBERS: Final = """
select id, row_number() over (partition by run_id order by id) from segments
where run_id in (select value from json_each(?))
"""
PARTS: Final = "select id, title, kind, nominal_hz, body from parts order by id"
LOTS: Final = """
select part_id, lot, supplier, size, plan, decision, opened_utc_ns from lots order by id
"""
