"""Runs: the queries for them, and their rows back into the nouns of the model.

A run that cannot be read is left out of every list, and is named with the reason.
"""

import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from itertools import pairwise
from typing import Any, Final

from benchlog.errors import UnreadableRunError
from benchlog.model import Decision, Identity, Part, Purpose, Run, Timebase
from benchlog.model.counting import DeviceRun, RunState, replaced_by
from benchlog.store import sqlite
from benchlog.store.identity import uid_of
from benchlog.store.schema.named_views import DAMAGED, HELD, SET_ASIDE
from benchlog.store.schema.quarantine_table import (
    FIGURES,
    IN_QUARANTINE,
    SNAPSHOT,
)
from benchlog.store.snapshot import (
    UNREADABLE,
    basis_from,
    learnt_of,
    part_from,
    timebase_from,
    why_unreadable,
)
from benchlog.store.snapshot_types import (
    LEAST_POSITIVE,
    check_columns,
    check_number,
    check_word,
    columns_of,
    parsed,
)

Named = Mapping[str, Any]
"""A row by the names of its columns."""
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
PUT_ASIDE: Final = f"""case when {IN_QUARANTINE} then (select q.reason
    from quarantine q where q.record = 'run' and q.number = u.id
    order by q.id desc limit 1) end"""  # noqa: S608 - our own text
"""Why a run is in quarantine; null where it is not."""
_POSITIONS: Final = f"json_each({SNAPSHOT}, '$.bench.positions') p"
STATE: Final = f"""a.void, {SET_ASIDE} as set_aside, {HELD} as held,
  {DAMAGED} as damaged,
  exists(select 1 from events e where e.run_id = u.id and e.kind = 'mark')
    as marked"""  # noqa: S608 - our own text
"""What decides besides its end whether a run counts."""
PLANNED: Final = f"""(json_extract({SNAPSHOT}, '$.until_clear') = 1
    or json_extract({SNAPSHOT}, '$.max_readings') is not null
    or json_extract({SNAPSHOT}, '$.max_s') is not null)"""
"""Whether a run was begun with an end."""
_RUNS: Final = f"""{AMENDED}
select u.id, u.uid, u.purpose, ifnull(a.device, d.device) as device, u.position,
  u.bench, u.nominal_hz,
  u.divider, u.simulated, u.started_utc_ns, u.ended_utc_ns, u.ended_how, {LOT} as lot,
  ifnull(a.operator, u.operator) as operator, u.note,
  ifnull(a.part, d.part_id) as part_id,
  u.snapshot, u.resolution_hz, u.control, {PUT_ASIDE} as put_aside,
  cast((select total(n) from outline where run_id = u.id) as integer)
    + (select count(*) from readings where run_id = u.id and id > ifnull(
      (select max(last_id) from outline where run_id = u.id), 0))
    + (select count(*) from edges e where e.run_id = u.id and e.instrument = (
      select json_extract(p.value, '$.frequency') from {_POSITIONS}
      where p.type = 'object' and json_extract(p.value, '$.name') = u.position))
    as readings,
  v.word as verdict, v.offset_ppm, v.u_ppm, json_extract({FIGURES}, '$.basis') as basis,
  case json_type({FIGURES}, '$.readings') when 'integer'
    then json_extract({FIGURES}, '$.readings') end as judged_readings,
  nullif(d.device, ifnull(a.device, d.device)) as typed_device, {STATE}
from runs u left join devices d on d.id = u.device_id
  left join lots l on l.id = d.lot_id
  left join verdicts v on v.id = {NEWEST_VERDICT}
  left join amended a on a.run_id = u.id
where u.id between :first and :last
"""  # noqa: S608 - our own text
_OF_DEVICES: Final = """u.id in (
    select id from runs where device_id in (
      select x.id from devices x where {0})
    union select run_id from amendments where kind = '{1}' and new = :{1})"""
"""Only these runs are looked at: what is found does not wait for all the others."""
_OF_LOT: Final = "x.lot_id in (select id from lots where lot = :lot)"
_NARROWED: Final = {
    "device": f"""{_OF_DEVICES.format("x.device = :device", "device")}
    and :device in (d.device, a.device)""",
    "part": f"""{_OF_DEVICES.format("x.part_id = :part", "part")}
    and ifnull(a.part, d.part_id) = :part""",
    "lot": f"""{_OF_DEVICES.format(_OF_LOT, "lot")}
    and {LOT} = :lot""",
    "purpose": "u.purpose = :purpose",
    "since": "u.id in (select id from runs where started_utc_ns >= :since)",
    "like": f"""instr(lower(ifnull(a.device, d.device) || char(10) || d.device
    || char(10) || ifnull(a.part, d.part_id) || char(10) || ifnull({LOT}, '')
    || char(10) || u.bench || char(10) || ifnull(a.operator, u.operator)
    || char(10) || u.note), lower(:like))""",
}
"""What narrows a list, by the name of its parameter."""


def runs_query(wanted: "RunFilter") -> str:
    """Return the question for the runs that all of this fits, the newest first."""
    asked = [sql for name, sql in _NARROWED.items() if wanted.get(name) is not None]
    narrowed = "".join(f"  and {sql}\n" for sql in asked)
    return f"{_RUNS}{narrowed}order by u.id desc limit :limit"


_WHOLE: Final = " and ".join(
    f"ifnull(json_type({SNAPSHOT}, '$.{name}') = 'object', 0)"
    for name in ("part", "timebase", "identities")
)
"""Whether a snapshot has what a run cannot be read without."""
IN_LOTS: Final = f"""{AMENDED}
select u.id as run, u.started_utc_ns, ifnull(a.part, d.part_id) as part, {LOT} as lot,
  ifnull(a.device, d.device) as device, u.purpose, u.ended_how,
  {PLANNED} as planned,
  exists(select 1 from verdicts v where v.run_id = u.id) as judged, {STATE}
from runs u join devices d on d.id = u.device_id left join lots l on l.id = d.lot_id
  left join amended a on a.run_id = u.id
where u.id in (
    select id from runs where device_id in (select id from devices where lot_id in (
      select id from lots where lot in (select value from json_each(:lots)))
      and device in (select value from json_each(:devices)))
    union select run_id from amendments where kind in ('lot', 'device'))
  and {LOT} in (select value from json_each(:lots))
  and ifnull(a.device, d.device) in (select value from json_each(:devices))
  and u.purpose in ('measure', 'inspect') and not {IN_QUARANTINE} and {_WHOLE}
"""  # noqa: S608 - our own text
"""The runs of devices in lots with all that decides which of a device's counts."""


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
    """Rebuild a Run from a row of `RUNS`; `newer` counts in its place.

    Raises UnreadableRunError for a run in quarantine, and for one that is damaged.
    """
    snapshot, begun = _begun(row)
    judged = _basis(row["basis"])
    part, timebase = judged or begun[:2]
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
        identities=begun[2],
        timebase=timebase,
        resolution_hz=row["resolution_hz"],
        control=row["control"],
        readings=row["readings"],
        judged_readings=row["judged_readings"],
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


def _begun(
    row: Named,
) -> tuple[dict[str, Any], tuple[Part, Timebase, dict[str, Identity]]]:
    """Return the snapshot of a run, and the nouns in it that every figure needs."""
    try:
        if row["put_aside"] is not None:
            raise ValueError(f"it is in quarantine: {row['put_aside']}")
        check_run_row(row)
        snapshot = parsed(row["snapshot"])
        return snapshot, basis_from(snapshot)
    except UNREADABLE as error:
        raise UnreadableRunError(row["id"], why_unreadable(error)) from error


_COLUMNS: Final = columns_of(
    text="""uid purpose device position bench ended_how lot operator note part_id
    snapshot control verdict typed_device void""",
    whole="id simulated started_utc_ns ended_utc_ns readings",
    number="nominal_hz divider resolution_hz offset_ppm u_ppm",
)
_NEVER_NULL: Final = (
    *("uid", "purpose", "position", "bench", "simulated", "started_utc_ns", "operator"),
    *("note", "part_id", "snapshot", "control"),
)


def check_run_row(row: Named) -> None:
    """Raise ValueError naming the first column of a run that cannot be right."""
    if row["device"] is None:
        raise ValueError("its device is not in the database")
    check_columns(row, _COLUMNS)
    missing = [name for name in _NEVER_NULL if row[name] is None]
    if missing:
        raise ValueError(f"{missing[0]} is missing")
    if uid_of(row["uid"]) != row["uid"]:
        raise ValueError("its UUID is none")
    check_rates(row)
    check_word("purpose", row["purpose"], Purpose)
    check_word("verdict", row["verdict"], Decision)


def check_rates(row: Named) -> None:
    """Raise ValueError for what a run's readings are divided by and cannot be."""
    for name in ("nominal_hz", "divider"):
        check_number(name, row[name], least=LEAST_POSITIVE)
    if row["resolution_hz"] is not None:
        check_number("resolution_hz", row["resolution_hz"], least=0.0)


def _resting_on(plain: Mapping[str, Any]) -> tuple[Part, Timebase]:
    return part_from(plain["part"]), timebase_from(plain["timebase"])


def _basis(text: object) -> tuple[Part, Timebase] | None:
    """Return what a verdict rests on; None for what the run was begun with.

    It may have come in with a file: one that cannot be read must hide no other run.
    """
    if not isinstance(text, str):
        return None
    try:
        return _resting_on(parsed(text))
    except UNREADABLE:
        return None


def _asked_over_temperature(text: str) -> bool | None:
    asked = json.loads(text).get("over_temperature")
    return asked if isinstance(asked, bool) else None


# --- runs by what is asked of them, each with the newer one that takes its place

Asked = Callable[[str, Any], list[dict[str, Any]]]
"""Asks the database; rows by the names of their columns."""
RunFilter = Mapping[str, object]
LeftOut = dict[str, str]
"""What could not be read, and why: `run 7`, `lot 3`, ..."""
PAGE: Final = 200  # our rule: what is read at a time stays small in memory
_ANY: Final = {
    "first": 0,
    "last": 2**63 - 1,
}


def read_runs(named: Asked, wanted: RunFilter, left_out: LeftOut) -> list[Run]:
    """Return runs, the newest first; `wanted` has their limit.

    Those that cannot be read are left out, and noted in `left_out` with the reason.
    """
    return _runs_in(named, named(runs_query(wanted), {**_ANY, **wanted}), left_out)


def newest_first(
    named: Asked, wanted: RunFilter, left_out: LeftOut, page: int = PAGE
) -> Iterator[Run]:
    """Yield all runs that are wanted, the newest first, a page of them in memory."""
    last, sql = _ANY["last"], runs_query(wanted)
    while rows := named(sql, {**_ANY, **wanted, "last": last, "limit": page}):
        ids = [last + 1, *(row["id"] for row in rows)]
        if any(later <= one for later, one in pairwise(ids)):
            raise sqlite.out_of_order("runs")
        yield from _runs_in(named, rows, left_out)
        if len(rows) < page:
            return  # a look for more would look at all that is not wanted once more
        last, page = rows[-1]["id"] - 1, PAGE


def _runs_in(named: Asked, rows: Sequence[Named], left_out: LeftOut) -> list[Run]:
    newer, found = _newer(named, rows), []
    for row in rows:
        try:
            found.append(run_from(row, newer.get(row["id"])))
        except UnreadableRunError as error:
            left_out[f"run {error.run_id}"] = error.why
    return found


def _newer(named: Asked, rows: Iterable[Mapping[str, Any]]) -> dict[int, DeviceRun]:
    """Return by run the one of its device that counts, where it has a lot."""
    lots = sorted({row["lot"] for row in rows if isinstance(row["lot"], str)})
    if not lots:
        return {}
    devices = sorted({row["device"] for row in rows if isinstance(row["device"], str)})
    asked = {"lots": json.dumps(lots), "devices": json.dumps(devices)}
    found = named(IN_LOTS, asked)
    return replaced_by(device_run_from(row) for row in found if _is_sound(row))


def _is_sound(row: Named) -> bool:
    """Whether a row of `IN_LOTS` is of the types it should be."""
    try:
        check_columns(row, _OF_LOTS)
    except ValueError:
        return False
    return row["device"] is not None and row["started_utc_ns"] is not None


_OF_LOTS: Final = columns_of(
    text="part lot device purpose ended_how void", whole="run started_utc_ns"
)
