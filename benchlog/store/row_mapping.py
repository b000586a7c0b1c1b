"""Rows of the database back into the nouns of the model."""

import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace
from typing import Any, Final

from benchlog.model import (
    Condition,
    Edge,
    Event,
    Flag,
    Identity,
    Part,
    Purpose,
    ReferenceCheck,
    Run,
    Timebase,
)
from benchlog.model.counting import DeviceRun, RunState, replaced_by
from benchlog.store.logged_tables import CONDITIONS, EDGES, EVENTS
from benchlog.store.rows import VerdictRow
from benchlog.store.schema.named_views import DAMAGED, HELD, SET_ASIDE
from benchlog.store.snapshot import (
    identities_from,
    learnt_of,
    part_from,
    timebase_from,
)

Named = Mapping[str, Any]
"""A row by the names of its columns."""
Ordered = tuple[Any, ...]
"""A row in the order of its query: names cost what is logged by the 100,000 a third."""

COUNT: Final = """
select ifnull((select sum(n) from outline where run_id = :run), 0)
  + (select count(*) from readings where run_id = :run and id > ifnull(
    (select max(last_id) from outline where run_id = :run), 0))
"""
"""Counting by the outline: a million readings are a thousand rows of it."""
AMENDED: Final = """
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
    from newest where nth = 1 group by run_id)
"""
"""The newest of the amendments of each run, kind by kind: by when they were said, as a
merge brings them in by file. A lot that is an empty text is none."""
NEWEST_VERDICT: Final = """(select id from verdicts where run_id = u.id
    order by at_utc_ns desc, id desc limit 1)"""
LOT: Final = "case when a.lot is null then l.lot else nullif(a.lot, '') end"
STATE: Final = f"""a.void, {SET_ASIDE} as set_aside, {HELD} as held,
  {DAMAGED} as damaged,
  exists(select 1 from events e where e.run_id = u.id and e.kind = 'mark')
    as marked"""  # noqa: S608 - our own text
"""What decides besides its end whether a run counts."""
PLANNED: Final = """(json_extract(u.snapshot, '$.until_clear') = 1
    or json_extract(u.snapshot, '$.max_readings') is not null
    or json_extract(u.snapshot, '$.max_s') is not null)"""
"""Whether a run was begun with an end."""
RUNS: Final = f"""{AMENDED}
select u.id, u.uid, u.purpose, ifnull(a.device, d.device) as device, u.position,
  u.bench, u.nominal_hz,
  u.divider, u.simulated, u.started_utc_ns, u.ended_utc_ns, u.ended_how, {LOT} as lot,
  ifnull(a.operator, u.operator) as operator, u.note,
  ifnull(a.part, d.part_id) as part_id,
  u.snapshot, u.resolution_hz, u.control,
  ifnull((select sum(n) from outline where run_id = u.id), 0)
    + (select count(*) from readings where run_id = u.id and id > ifnull(
      (select max(last_id) from outline where run_id = u.id), 0))
    + (select count(*) from edges e where e.run_id = u.id and e.instrument = (
      select json_extract(p.value, '$.frequency')
      from json_each(u.snapshot, '$.bench.positions') p
      where json_extract(p.value, '$.name') = u.position)) as readings,
  v.word as verdict, v.offset_ppm, v.u_ppm, json_extract(v.figures, '$.basis') as basis,
  nullif(d.device, ifnull(a.device, d.device)) as typed_device, {STATE}
from runs u join devices d on d.id = u.device_id left join lots l on l.id = d.lot_id
  left join verdicts v on v.id = {NEWEST_VERDICT}
  left join amended a on a.run_id = u.id
where u.id between :first and :last
  and (:device is null or :device in (d.device, a.device))
  and (:part is null or ifnull(a.part, d.part_id) = :part)
  and (:lot is null or {LOT} = :lot)
  and (:purpose is null or u.purpose = :purpose)
  and (:since is null or u.started_utc_ns >= :since)
  and (:like is null or instr(lower(ifnull(a.device, d.device) || char(10) || d.device
    || char(10) || ifnull(a.part, d.part_id) || char(10) || ifnull({LOT}, '')
    || char(10) || u.bench || char(10) || ifnull(a.operator, u.operator)
    || char(10) || u.note), lower(:like)))
order by u.id desc limit :limit
"""  # noqa: S608 - our own text
IN_LOTS: Final = f"""{AMENDED}
select u.id as run, u.started_utc_ns, ifnull(a.part, d.part_id) as part, {LOT} as lot,
  ifnull(a.device, d.device) as device, u.purpose, u.ended_how,
  {PLANNED} as planned,
  exists(select 1 from verdicts v where v.run_id = u.id) as judged, {STATE}
from runs u join devices d on d.id = u.device_id left join lots l on l.id = d.lot_id
  left join amended a on a.run_id = u.id
where u.id in (
    select id from runs where device_id in (select id from devices where lot_id in (
      select id from lots where lot in (select value from json_each(:lots))))
    union select run_id from amendments where kind = 'lot')
  and {LOT} in (select value from json_each(:lots))
  and u.purpose in ('measure', 'inspect')
"""  # noqa: S608 - our own text
"""The runs of lots with all that decides which of a device's counts."""
RAW_TEXTS: Final = """
select id, raw from readings where run_id = ? and raw is not null
  and id in (select value from json_each(?))
"""
RAW_WITHIN: Final = """
select id, raw from readings where run_id = ? and id between ? and ?
  and raw is not null
"""
STAMPED_WITHIN: Final = """
select id from readings where run_id = ? and id between ? and ? and utc_ns = ?
"""
CONDITION_SPANS: Final = """
select quantity, unit, instrument, count(*) as n, min(value) as least,
  avg(value) as mean, max(value) as most
from conditions where run_id = ? group by quantity, unit, instrument
order by min(id)
"""
SEGMENTS: Final = """
select id, began_utc_ns, began_mono_ns, boot_id from segments
where run_id = ? order by id
"""
AMENDMENTS: Final = """
select kind, reason, old, new, operator, at_utc_ns from amendments
where run_id = ? order by at_utc_ns, id
"""
MENDED_MARKS: Final = """
with newest as (select kind, new, row_number() over (
    partition by kind order by at_utc_ns desc, id desc) as nth
    from amendments where run_id = :run and kind like 'mark %'),
  marks as (select id, 'mark ' || row_number() over (order by id) as place
    from events where run_id = :run and kind = 'mark'
      and exists (select 1 from newest))
select m.id, n.new from marks m join newest n on n.kind = m.place and n.nth = 1
"""
"""Marks are numbered in their order, which a merge keeps; their ids it does not."""
VERDICTS: Final = """
select word, offset_ppm, u_ppm, limit_ppm, conformance, rule, figures, at_utc_ns
from verdicts where run_id = ? order by at_utc_ns, id
"""
_CHECKS: Final = f"""{AMENDED}
select i.text, i.maker, i.model, i.serial, i.firmware, i.simulated, c.offset_ppm,
  c.u_ppm, c.method, c.at_utc_ns, c.valid_until_utc_ns, c.run_id, a.void, c.id
from reference_checks c join instruments i on i.id = c.instrument_id
  left join amended a on a.run_id = c.run_id
"""  # noqa: S608 - our own text
ALL_CHECKS: Final = f"""{_CHECKS}
where :serial is null or i.serial = :serial order by c.at_utc_ns, c.id
"""
STANDING_CHECKS: Final = f"""{_CHECKS}
where i.serial = :serial and a.void is null order by c.at_utc_ns, c.id
"""


def device_run_from(row: Named) -> DeviceRun:
    """Rebuild a DeviceRun from a row of `IN_LOTS`."""
    names = ("run", "started_utc_ns", "part", "lot", "device")
    yes = ("planned", "judged", "set_aside", "held", "damaged", "marked")
    return DeviceRun(
        **{name: row[name] for name in names},
        state=RunState(
            void=row["void"],
            ended_how=row["ended_how"],
            purpose=Purpose(row["purpose"]),
            **{name: bool(row[name]) for name in yes},
        ),
    )


def run_from(row: Named, newer: DeviceRun | None = None) -> Run:
    """Rebuild a Run from a row of `RUNS`; `newer` counts in its place."""
    snapshot = json.loads(row["snapshot"])
    judged = _basis(row["basis"])
    part, timebase = judged or _resting_on(snapshot)
    basis = json.loads(row["basis"]) if judged else {}
    return Run(
        id=row["id"],
        uid=row["uid"],
        purpose=Purpose(row["purpose"]),
        device=row["device"],
        part=part,
        position=row["position"],
        bench=row["bench"],
        nominal_hz=part.nominal_hz if judged else row["nominal_hz"],
        divider=row["divider"],
        simulated=bool(row["simulated"]),
        started_utc_ns=row["started_utc_ns"],
        ended_utc_ns=row["ended_utc_ns"],
        ended_how=row["ended_how"],
        lot=row["lot"],
        operator=row["operator"],
        note=row["note"],
        snapshot=snapshot,
        identities=identities_from(snapshot["identities"]),
        timebase=timebase,
        resolution_hz=row["resolution_hz"],
        control=row["control"],
        readings=row["readings"],
        verdict=row["verdict"],
        offset_ppm=row["offset_ppm"],
        u_ppm=row["u_ppm"],
        typed_device=row["typed_device"],
        void=row["void"],
        set_aside=bool(row["set_aside"]),
        damaged=bool(row["damaged"]),
        held=bool(row["held"]),
        marked=bool(row["marked"]),
        newer=None if newer is None else newer.run,
        newer_marked=newer is not None and newer.state.is_disturbed,
        part_id=row["part_id"],
        judged_over_temperature=_asked_over_temperature(row["basis"])
        if judged
        else None,
        judged_again=judged is not None,
        learnt=learnt_of({**snapshot, **basis}),
    )


def _resting_on(plain: Mapping[str, Any]) -> tuple[Part, Timebase]:
    return part_from(plain["part"]), timebase_from(plain["timebase"])


def _basis(text: object) -> tuple[Part, Timebase] | None:
    """Return what a verdict rests on; None for what the run was begun with.

    It may have come in with a file: one that cannot be read must hide no other run.
    """
    if not isinstance(text, str):
        return None
    try:
        return _resting_on(json.loads(text))
    except (ValueError, KeyError, TypeError, AttributeError):
        return None


def _asked_over_temperature(text: str) -> bool | None:
    asked = json.loads(text).get("over_temperature")
    return asked if isinstance(asked, bool) else None


# --- what is logged by the 100,000: a row in the declared order of its table


NOUNS: Final = {
    table: table.select(("id", *table.noun_columns))
    for table in (EVENTS, CONDITIONS, EDGES)
}
_CONDITION_FLAGS: Final = CONDITIONS.noun_columns.index("flags")
_EDGE_FLAGS: Final = EDGES.noun_columns.index("flags")


def event_from(row: Ordered) -> tuple[int, Event]:
    """Rebuild an Event from its id and the columns of the noun; its id first."""
    number, *fields = row
    return number, Event(*fields)


def events_from(
    rows: Iterable[Ordered], mended: Mapping[int, str]
) -> list[tuple[int, Event]]:
    """Rebuild events with their ids; marks that were corrected have the new text."""
    found = [event_from(row) for row in rows]
    if not mended:
        return found
    return [(i, replace(one, text=mended.get(i, one.text))) for i, one in found]


def condition_from(row: Ordered) -> tuple[int, Condition]:
    """Rebuild a Condition from its id and the columns of the noun; its id first."""
    number, *fields = row
    fields[_CONDITION_FLAGS] = Flag(fields[_CONDITION_FLAGS])
    return number, Condition(*fields)


def edge_from(row: Ordered) -> tuple[int, Edge]:
    """Rebuild an Edge from its id and the columns of the noun; its id first."""
    number, *fields = row
    fields[_EDGE_FLAGS] = Flag(fields[_EDGE_FLAGS])
    return number, Edge(*fields)


def verdict_from(row: Named) -> VerdictRow:
    """Rebuild a VerdictRow from a row of `VERDICTS`."""
    return VerdictRow(**{**row, "figures": json.loads(row["figures"])})


def reference_check_from(row: Named) -> ReferenceCheck:
    """Rebuild a ReferenceCheck from a row of `ALL_CHECKS`."""
    return ReferenceCheck(
        instrument=Identity(
            text=row["text"],
            maker=row["maker"],
            model=row["model"],
            serial=row["serial"],
            firmware=row["firmware"],
            simulated=bool(row["simulated"]),
        ),
        offset_ppm=row["offset_ppm"],
        u_ppm=row["u_ppm"],
        method=row["method"],
        at_utc_ns=row["at_utc_ns"],
        valid_until_utc_ns=row["valid_until_utc_ns"],
        run_id=row["run_id"],
        void=row["void"],
    )


# --- runs by what is asked of them, each with the newer one that takes its place

Asked = Callable[[str, Any], list[dict[str, Any]]]
"""Asks the database; rows by the names of their columns."""
RunFilter = Mapping[str, object]
PAGE: Final = 200  # our rule: what is read at a time stays small in memory
_ANY: Final = {
    "first": 0,
    "last": 2**63 - 1,
    "device": None,
    "part": None,
    "lot": None,
    "purpose": None,
    "since": None,
    "like": None,
}


def read_runs(named: Asked, wanted: RunFilter) -> list[Run]:
    """Return runs, the newest first; `wanted` has their limit."""
    rows = named(RUNS, {**_ANY, **wanted})
    newer = _newer(named, rows)
    return [run_from(row, newer.get(row["id"])) for row in rows]


def newest_first(named: Asked, wanted: RunFilter) -> Iterator[Run]:
    """Yield all runs that are wanted, the newest first, a page of them in memory."""
    last = _ANY["last"]
    while page := read_runs(named, {**wanted, "last": last, "limit": PAGE}):
        yield from page
        last = page[-1].id - 1


def _newer(named: Asked, rows: Iterable[Mapping[str, Any]]) -> dict[int, DeviceRun]:
    """Return by run the one of its device that counts, where it has a lot."""
    lots = sorted({row["lot"] for row in rows if row["lot"] is not None})
    if not lots:
        return {}
    found = named(IN_LOTS, {"lots": json.dumps(lots)})
    return replaced_by(device_run_from(row) for row in found)
