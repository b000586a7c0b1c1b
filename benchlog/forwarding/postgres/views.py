"""The views over there, named as here: runs, readings and results by name.

Whether a run counts is the rule of `model.counting` in PostgreSQL's SQL; a test holds
the views against those of the benches' databases. The devices of a lot may have been
measured at several benches: the newest run of all of them counts.
"""

from typing import Final

_NEWEST: Final = """coalesce((select e.kind from events e where e.run_uid = u.run_uid
    and e.kind in ({0}) order by e.utc_ns desc, e.seq desc limit 1) {1}, false)"""
"""What was said last: copies of a run come in any order, so it may be no newest row."""
_ASIDE: Final = "'set-aside', 'held', 'restored'"
_SET_ASIDE: Final = _NEWEST.format(_ASIDE, "<> 'restored'")
_HELD: Final = _NEWEST.format(_ASIDE, "= 'held'")
_DAMAGED: Final = _NEWEST.format("'damaged', 'undamaged'", "= 'damaged'")
_PUT_ASIDE: Final = """coalesce((select q.done from quarantine q
    where q.run_uid = u.run_uid and q.source = u.source
    order by q.row desc limit 1) = 'put in', false)"""


def _utc(name: str) -> str:
    return f"""case when {name} >= 0 then to_char(timestamp '1970-01-01'
    + {name} / 1000000000 * interval '1 second', 'YYYY-MM-DD"T"HH24:MI:SS')
    || '.' || lpad(({name} % 1000000000)::text, 9, '0') || 'Z' end"""


_JUDGED: Final = """case when jsonb_typeof(figures #> '{{at_reference,temperature_c}}')
    = 'number' and jsonb_typeof(figures #> '{{at_reference,{0}}}') = 'number'
    then (figures #>> '{{at_reference,{0}}}')::double precision
    else {0} end as judged_{1}"""
"""What the limit was held against: at the reference temperature where readings were
brought there, else as measured."""

_AT: Final = "u.snapshot #>> '{{origin,run,{0}_utc_ns}}'"
_IS_AT: Final = """jsonb_typeof(u.snapshot #> '{{origin,run,{0}_utc_ns}}') = 'number'"""
_READ: Final = """(select r.utc_ns from readings r where r.run_uid = u.run_uid
        order by r.n {0} limit 1)"""
_MADE: Final = f"""case when {_IS_AT.format("started")} and {_IS_AT.format("ended")}
        then ({_AT.format("started")})::numeric::bigint
      when u.purpose <> 'import' then u.started_utc_ns
      when jsonb_typeof(u.snapshot #> '{{origin,run}}') = 'object'
        and u.snapshot #> '{{origin,run}}' <> '{{}}' then u.started_utc_ns
      when {_READ.format("desc")} >= 0 and {_READ.format("")} >= 0
        then {_READ.format("")} end"""
"""When readings were made; null of an import whose readings are not there."""
_JUDGED_ON: Final = """coalesce(figures #>> '{basis,part,id}',
    snapshot #>> '{part,id}')"""

RUNS_NAMED: Final = f"""
with newest as (select run_uid, kind, new, reason, row_number() over (
    partition by run_uid, case kind when 'restore' then 'void' else kind end
    order by at_utc_ns desc, seq desc) as nth
    from amendments),
  amended as (select run_uid,
    max(case kind when 'device' then new end) as device,
    max(case kind when 'part' then new end) as part,
    max(case kind when 'lot' then new end) as lot,
    max(case kind when 'operator' then new end) as operator,
    max(case kind when 'void' then reason end) as void
    from newest where nth = 1 group by run_uid),
  judged as (select distinct on (run_uid) * from verdicts
    order by run_uid, at_utc_ns desc, seq desc),
  states as (select u.*, coalesce(a.device, u.device) as device_now,
    coalesce(a.part, u.part) as part_now,
    case when a.lot is null then u.lot else nullif(a.lot, '') end as lot_now,
    coalesce(a.operator, u.operator) as operator_now,
    a.void,
    {_MADE} as made_utc_ns,
    {_SET_ASIDE} as set_aside,
    {_HELD} as held,
    {_DAMAGED} as damaged,
    exists(select 1 from events e where e.run_uid = u.run_uid and e.kind = 'mark')
      and not {_DAMAGED} as disturbed,
    v.digest is not null as is_judged, v.offset_ppm, v.u_ppm, v.limit_ppm,
    v.conformance, v.word, v.figures
    from runs u left join amended a on a.run_uid = u.run_uid
      left join judged v on v.run_uid = u.run_uid
    where not {_PUT_ASIDE}),
  reasons as (select *, case
    when void = '' then 'void'
    when void is not null then 'void (' || void || ')'
    when how = 'measured again' then 'measured again'
    when held then 'held until somebody answers'
    when set_aside and (how is null or how in ('verdict clear', 'readings reached',
      'time reached', 'best code found', 'file read', 'stopped')) then 'taken back'
    when set_aside then how
    when damaged then null
    when ended_utc_ns is null then 'not ended'
    when how = 'import stopped' then how
    when planned and made_for <> 'refcheck' and how in ('interrupted',
      'terminal closed', 'broken off', 'left', 'no readings came') then how
    when made_for = 'trim' and how <> 'best code found'
      then how || ': no best code found'
    when made_for = 'inspect' and not is_judged then 'not judged'
    end as own
    from states),
  placed as (select *,
      case when lot_now is not null and purpose in ('measure', 'inspect')
        then first_value(run_uid) over same end as newest,
      first_value(run) over same as newest_run,
      first_value(source) over same as newest_source,
      bool_and(disturbed) over (partition by lot_now, part_now, device_now, purpose,
        own is null) as newest_disturbed
    from reasons
    window same as (partition by lot_now, part_now, device_now, purpose, own is null
      order by disturbed, started_utc_ns desc, run desc, run_uid)),
  counted as (select *, 'run ' || newest_run
      || case when newest_source <> source then ' of another bench' else '' end as other
    from placed),
  told as (select *, case when own is not null then own
      when newest <> run_uid and disturbed and not newest_disturbed
        then 'marked: ' || other || ', without a mark, counts'
      when newest <> run_uid then 'measured again in ' || other end as does_not_count
    from counted)
select run, device_now as device, part_now as part, lot_now as lot, position, bench,
  purpose, operator_now as operator, {_utc("made_utc_ns")} as started,
  made_utc_ns as started_utc_ns, ended_how, nominal_hz,
  case when jsonb_typeof(figures -> 'readings') = 'number'
    then (figures ->> 'readings')::double precision::bigint end as readings,
  offset_ppm, u_ppm, limit_ppm, conformance,
  case when made_for = 'refcheck' then null when damaged then 'fail' else word end
    as verdict,
  does_not_count is null as counts, does_not_count, damaged, device as device_typed,
  simulated, made_for, run_uid, source,
  {_JUDGED.format("offset_ppm", "ppm")},
  {_JUDGED.format("u_ppm", "u_ppm")},
  case when {_JUDGED_ON} <> part_now then {_JUDGED_ON} end as judged_as
from told
"""  # noqa: S608 - our own text
"""A row for each run: what it measured, its newest verdict, whether it counts."""

RESULTS: Final = """
select run, device,
  coalesce(judged_as, part) as part, lot, position, bench, purpose, operator, started,
  started_utc_ns, nominal_hz, readings, offset_ppm, u_ppm, limit_ppm, conformance,
  verdict, damaged, simulated, run_uid, source, judged_ppm, judged_u_ppm
from (select *, row_number() over (partition by part, lot, device
    order by coalesce(started_utc_ns, -1) desc, run desc, run_uid) as nth
  from runs_named where counts and made_for not in ('refcheck', 'trim')) numbered
where nth = 1
"""
"""A row for each device: its newest run that counts."""

READINGS_NAMED: Final = f"""
select r.n, n.run, r.segment, n.device, n.part, n.lot, u.position, u.purpose,
  {_utc("r.utc_ns")} as utc,
  r.utc_ns, r.mono_ns, r.gate_s, r.frequency_hz, r.ambient_c, u.nominal_hz, u.divider,
  (r.frequency_hz * u.divider - u.nominal_hz) / u.nominal_hz * 1e6 as offset_raw_ppm,
  r.flags, u.simulated, r.raw, n.device_typed,
  coalesce(n.does_not_count = 'void' or n.does_not_count like 'void (%', false)
    as voided,
  n.counts, n.does_not_count, r.run_uid, n.source, r.month
from readings r join runs u on u.run_uid = r.run_uid
  join runs_named n on n.run_uid = r.run_uid
"""  # noqa: S608 - our own text
"""A row for each reading, with whether its run counts."""

VIEWS: Final = {
    "runs_named": RUNS_NAMED,
    "results": RESULTS,
    "readings_named": READINGS_NAMED,
}
