"""The views of the fifth schema step: runs, readings and results by name, any tool's.

Whether a run counts is the rule of `model.counting` in SQL; a test holds the two
against each other. A released step is never edited: what changes is a new step with new
texts.
"""

from typing import Final

_NEWEST_OF: Final = """ifnull((select e.kind from events e where e.run_id = u.id
    and e.kind in ({0}) order by e.id desc limit 1) {1}, 0)"""
_ASIDE: Final = "'set-aside', 'held', 'restored'"
SET_ASIDE: Final = _NEWEST_OF.format(_ASIDE, "<> 'restored'")
HELD: Final = _NEWEST_OF.format(_ASIDE, "= 'held'")
DAMAGED: Final = _NEWEST_OF.format("'damaged', 'undamaged'", "= 'damaged'")
"""Whether a run of `u` is set aside, waits for an answer, is damaged: what a person
took back stays, and the newest of these events tells."""
_STATES: Final = f"""
with newest as (select run_id, kind, new, reason, row_number() over (
    partition by run_id, case kind when 'restore' then 'void' else kind end
    order by at_utc_ns desc, id desc) as nth
    from amendments),
  amended as (select run_id,
    max(case kind when 'device' then new end) as device,
    max(case kind when 'part' then new end) as part,
    max(case kind when 'lot' then new end) as lot,
    max(case kind when 'operator' then new end) as operator,
    max(case kind when 'void' then reason end) as void
    from newest where nth = 1 group by run_id),
  states as (select u.id as run, u.purpose, u.started_utc_ns,
    ifnull(a.device, d.device) as device, d.device as device_typed,
    ifnull(a.part, d.part_id) as part,
    case when a.lot is null then l.lot else nullif(a.lot, '') end as lot,
    ifnull(a.operator, u.operator) as operator,
    a.void,
    case when u.ended_utc_ns is null then null
      when json_type(u.snapshot, '$.origin.run.ended_how') = 'text'
        then json_extract(u.snapshot, '$.origin.run.ended_how')
      else u.ended_how end as how,
    case when json_extract(u.snapshot, '$.origin.run.purpose')
        in ('measure', 'inspect', 'soak', 'trim', 'refcheck', 'import')
      then json_extract(u.snapshot, '$.origin.run.purpose')
      else u.purpose end as made_for,
    ifnull(json_extract(u.snapshot, '$.until_clear'), 0) = 1
      or json_extract(u.snapshot, '$.max_readings') is not null
      or json_extract(u.snapshot, '$.max_s') is not null as planned,
    {SET_ASIDE} as set_aside,
    {HELD} as held,
    {DAMAGED} as damaged,
    exists(select 1 from events e where e.run_id = u.id and e.kind = 'mark')
      and not {DAMAGED} as disturbed,
    (select id from verdicts v where v.run_id = u.id
      order by at_utc_ns desc, id desc limit 1) as verdict_id
    from runs u join devices d on d.id = u.device_id
      left join lots l on l.id = d.lot_id left join amended a on a.run_id = u.id),
  reasons as (select *, case
    when void = '' then 'void'
    when void is not null then 'void (' || void || ')'
    when how = 'measured again' then 'measured again'
    when held then 'held until somebody answers'
    when set_aside and (how is null or how in ('verdict clear', 'readings reached',
      'time reached', 'best code found', 'file read', 'stopped')) then 'taken back'
    when set_aside then how
    when damaged then null
    when how is null then 'not ended'
    when how = 'import stopped' then how
    when planned and made_for <> 'refcheck' and how in ('interrupted',
      'terminal closed', 'broken off', 'left', 'no readings came') then how
    when made_for = 'inspect' and verdict_id is null then 'not judged'
    end as own
    from states),
  placed as (select *, case when lot is not null and purpose in ('measure', 'inspect')
      then first_value(run) over (partition by lot, part, device, purpose, own is null
        order by disturbed, started_utc_ns desc, run desc) end as newest,
      min(disturbed) over (partition by lot, part, device, purpose, own is null)
        as newest_disturbed
    from reasons),
  counted as (select run, case when own is not null then own
      when newest <> run and disturbed and not newest_disturbed
        then 'marked: run ' || newest || ', without a mark, counts'
      when newest <> run then 'measured again in run ' || newest end as does_not_count
    from placed)
"""  # noqa: S608 - our own text
_UTC: Final = """case when {0} >= 0 then
    strftime('%Y-%m-%dT%H:%M:%S', {0} / 1000000000, 'unixepoch')
    || printf('.%09dZ', {0} % 1000000000) end"""

RUNS_NAMED: Final = f"""{_STATES}
select s.run, s.device, s.part, s.lot, u.position, u.bench, s.purpose, s.operator,
  {_UTC.format("s.started_utc_ns")} as started, s.started_utc_ns, u.ended_how,
  u.nominal_hz, json_extract(v.figures, '$.readings') as readings,
  v.offset_ppm, v.u_ppm, v.limit_ppm, v.conformance,
  case when s.made_for = 'refcheck' then null when s.damaged then 'fail'
    else v.word end as verdict,
  c.does_not_count is null as counts, c.does_not_count, s.damaged, s.device_typed,
  u.simulated, s.made_for
from states s join runs u on u.id = s.run join counted c on c.run = s.run
  left join verdicts v on v.id = s.verdict_id
"""  # noqa: S608 - our own text
"""A row for each run: what it measured, its newest verdict, whether it counts."""

RESULTS: Final = """
select run, device, part, lot, position, bench, purpose, operator, started,
  started_utc_ns, nominal_hz, readings, offset_ppm, u_ppm, limit_ppm, conformance,
  verdict, damaged, simulated
from (select *, row_number() over (partition by part, lot, device
    order by started_utc_ns desc, run desc) as nth
  from runs_named where counts and made_for not in ('refcheck', 'trim'))
where nth = 1
"""
"""A row for each device: its newest run that counts. A check judges no device, and a
trim leaves another one behind."""

READINGS_NAMED: Final = f"""
select r.id, r.run_id, r.segment_id, n.device, n.part, n.lot, u.position, u.purpose,
  {_UTC.format("r.utc_ns")} as utc,
  r.utc_ns, r.mono_ns, r.gate_s, r.frequency_hz, r.ambient_c, u.nominal_hz, u.divider,
  (r.frequency_hz * u.divider - u.nominal_hz) / u.nominal_hz * 1e6 as offset_raw_ppm,
  r.flags, u.simulated, r.raw, n.device_typed,
  ifnull(n.does_not_count = 'void' or n.does_not_count like 'void (%', 0) as voided,
  n.counts, n.does_not_count
from readings r join runs u on u.id = r.run_id join runs_named n on n.run = r.run_id
"""  # noqa: S608 - our own text
"""A row for each reading, with whether its run counts."""
INDEXES: Final = (
    "create index events_of_state on events (run_id)"
    " where kind in ('set-aside', 'held', 'restored', 'damaged', 'undamaged', 'mark')",
    "create index devices_of_lot on devices (lot_id)",
)
"""Runs have many events, and few that decide; a run's lot is looked up with it."""
