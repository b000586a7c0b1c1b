"""The queries for rows behind a row: the row's id first, then the id of its run.

Ids of a table only grow and no row is ever deleted, so an id is a place in the file:
what is committed later lies behind it, whatever the clock tells.
"""

from typing import Final

from benchlog.store.logged_tables import LOGGED, LoggedTable
from benchlog.store.schema.quarantine_table import SNAPSHOT

_PAGE: Final = " where {0}.id > ? order by {0}.id limit ?"


def _logged(table: LoggedTable) -> str:
    columns = ", ".join(table.columns[1:])
    return (
        f"select id, run_id, {columns} from {table.name} t"  # noqa: S608 - ours
        f"{_PAGE.format('t')}"
    )


TAILS: Final = {
    "devices": "select t.id, null, t.device, t.part_id, l.lot from devices t"
    " left join lots l on l.id = t.lot_id" + _PAGE.format("t"),
    "runs": "select t.id, t.id from runs t" + _PAGE.format("t"),
    "segments": "select t.id, t.run_id, t.began_utc_ns, t.began_mono_ns, t.boot_id"
    " from segments t" + _PAGE.format("t"),
    "verdicts": "select t.id, t.run_id, t.at_utc_ns, t.word, t.offset_ppm, t.u_ppm,"
    " t.limit_ppm, t.conformance, t.rule, t.figures from verdicts t"
    + _PAGE.format("t"),
    "amendments": "select t.id, t.run_id, t.at_utc_ns, t.kind, t.old, t.new, t.reason,"
    " t.operator from amendments t" + _PAGE.format("t"),
    "quarantine": "select t.id, case t.record when 'run' then t.number end, t.record,"
    " t.number, t.done, t.reason, t.at_utc_ns from quarantine t" + _PAGE.format("t"),
    "reference_checks": "select t.id, t.run_id, i.maker, i.model, i.serial, i.firmware,"
    " i.text, t.offset_ppm, t.u_ppm, t.method, t.at_utc_ns, t.valid_until_utc_ns"
    " from reference_checks t join instruments i on i.id = t.instrument_id"
    + _PAGE.format("t"),
    **{table.name: _logged(table) for table in LOGGED},
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
