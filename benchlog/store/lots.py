"""Lots: opened with a plan that stays, decided as often as more is known."""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from benchlog.errors import StoreRefusedError
from benchlog.model import Decision, Lot, LotRun, Part, Purpose
from benchlog.store.identity import MERGED
from benchlog.store.parameters import text
from benchlog.store.run_queries import (
    AMENDED,
    LOT,
    NEWEST_VERDICT,
    PLANNED,
    PUT_ASIDE,
    STATE,
    Named,
    check_rates,
)
from benchlog.store.run_rows import put_part
from benchlog.store.schema.named_views import HELD
from benchlog.store.schema.quarantine_table import FIGURES, IN_QUARANTINE, SNAPSHOT
from benchlog.store.snapshot import UNREADABLE, basis_from, dump, why_unreadable
from benchlog.store.snapshot_types import (
    check_columns,
    check_text,
    check_word,
    columns_of,
    parsed,
    table,
)
from benchlog.store.sqlite import Connection

PUT_ASIDE_LOT: Final = """(select case done when 'put in' then reason end
    from quarantine q where q.record = 'lot' and q.number = lots.id
    order by q.id desc limit 1)"""
"""Why a lot is in quarantine; null where it is not."""
LOTS: Final = f"""
select id, {PUT_ASIDE_LOT} as put_aside, lot, part_id, supplier, size, plan, decision,
  opened_utc_ns from lots
where (:lot is null or lot = :lot) and (:part is null or part_id = :part)
order by opened_utc_ns, id
"""  # noqa: S608 - our own text
_JUDGED_ON: Final = f"""ifnull(json_extract({FIGURES}, '$.basis.part.id'),
    json_extract({SNAPSHOT}, '$.part.id'))"""
_JUDGED_AS: Final = f"""case when {_JUDGED_ON} <> ifnull(a.part, d.part_id)
    then {_JUDGED_ON} end"""
"""The part that the verdict is on; null where that is what the run is said to be of."""
_OF_RUNS: Final = f"""{AMENDED}
select u.id as run, u.uid, u.bench, ifnull(a.device, d.device) as device, u.position,
  u.started_utc_ns, u.ended_how, v.word, v.offset_ppm, v.u_ppm, v.limit_ppm,
  json_extract({FIGURES}, '$.ambient_c.mean') as ambient_c,
  json_extract({FIGURES}, '$.readings') as readings,
  {STATE}, case when a.void is null and {HELD} then (select text from events e
    where e.run_id = u.id and e.kind = 'held' order by e.id desc limit 1) end
    as question, u.simulated, u.purpose, {PLANNED} as planned,
  ifnull(json_extract({FIGURES}, '$.basis.part.limits.tolerance_ppm'),
    json_extract({SNAPSHOT}, '$.part.limits.tolerance_ppm')) as tolerance_ppm,
  ifnull(json_extract({SNAPSHOT}, '$.over_temperature'), 0) as over_temperature,
  {_JUDGED_AS} as judged_as, u.snapshot, u.nominal_hz, u.divider, u.resolution_hz,
  u.operator, u.note, u.control {{0}}
from runs u join devices d on d.id = u.device_id left join lots l on l.id = d.lot_id
  left join verdicts v on v.id = {NEWEST_VERDICT}
  left join amended a on a.run_id = u.id
where {{1}}
order by u.started_utc_ns, u.id
"""  # noqa: S608 - our own text
_WITHIN: Final = """u.id in (
    select id from runs where device_id in (
      select id from devices where lot_id in (select x.id from lots x where {0}))
    union select run_id from amendments where kind in ('lot', 'part'))"""
"""Only these runs are looked at: what is found does not wait for all the others."""
LOT_RUNS: Final = _OF_RUNS.format(
    "",
    f"""{_WITHIN.format("x.lot = :lot")} and not {IN_QUARANTINE}
  and {LOT} = :lot and ifnull(a.part, d.part_id) = :part
  and instr(:kinds, ' ' || u.purpose || ' ')""",
)
"""The runs of a lot that were for one of `kinds`, words between blanks."""
DEVICE_RUNS: Final = f"""{AMENDED}
select u.id as run from runs u join devices d on d.id = u.device_id
  left join lots l on l.id = d.lot_id left join amended a on a.run_id = u.id
where {_WITHIN.format("x.lot = :lot")} and {LOT} = :lot
  and ifnull(a.part, d.part_id) = :part and ifnull(a.device, d.device) = :device
  and u.purpose = :purpose
order by u.id
"""  # noqa: S608 - our own text
"""Whatever has become of them: what was done with the device, was done."""
CAME_BY_MERGE: Final = f"""
select distinct run_id from events where run_id in (select value from json_each(:runs))
  and kind = 'note' and mono_ns = 0 and substr(text, 1, {len(MERGED)}) = '{MERGED}'
"""  # noqa: S608 - our own text
_ALL_LOT_RUNS: Final = _OF_RUNS.format(
    f""", {PUT_ASIDE} as put_aside, ifnull(a.part, d.part_id) as part, {LOT} as lot,
  ifnull(json_extract({FIGURES}, '$.basis.timebase.status'),
    json_extract({SNAPSHOT}, '$.timebase.status')) as base_status,
  ifnull(json_extract({FIGURES}, '$.basis.timebase.u_ppm'),
    json_extract({SNAPSHOT}, '$.timebase.u_ppm')) as base_u_ppm""",
    f"{LOT} is not null {{narrowed}}",
)
_OF_SOME_LOTS: Final = f"""and {
    _WITHIN.format(
        "(:part is null or x.part_id = :part)"
        " and (:supplier is null or x.supplier = :supplier)"
    )
}"""


def all_lot_runs(part: str | None, supplier: str | None) -> str:
    """Return the question for the runs of all lots, or of those of a part or supplier.

    They are asked for whatever they were for, with their time bases; one in quarantine
    has `put_aside`. Runs that were moved elsewhere are there, too.
    """
    is_all = part is None and supplier is None
    return _ALL_LOT_RUNS.replace("{narrowed}", "" if is_all else _OF_SOME_LOTS)


_OF_LOT: Final = ("put_aside", "part", "lot", "base_status", "base_u_ppm")
_LOT_COLUMNS: Final = columns_of(
    text="lot part_id supplier decision", whole="id size opened_utc_ns"
)
_RUN_COLUMNS: Final = columns_of(
    text="""uid bench device position ended_how word void question purpose operator
    note control judged_as""",
    whole="run started_utc_ns readings",
    number="offset_ppm u_ppm limit_ppm ambient_c",
)
_ASKED: Final = (
    *("question", "snapshot", "nominal_hz", "divider", "resolution_hz"),
    *("operator", "note", "control"),
)
"""What of a row decides, or must be sound, and is no field of the noun."""
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


def know(connection: Connection, lot: str, part: Part, now_utc_ns: int) -> None:
    """Insert a lot's name, where it is not known yet; in the caller's transaction."""
    put_part(connection, part)
    connection.execute(
        "insert or ignore into lots (lot, part_id, supplier, opened_utc_ns)"
        " values (?, ?, '', ?)",
        (text("lot", lot), part.id, now_utc_ns),
    )


def decide(connection: Connection, part_id: str, lot: str, decision: str) -> None:
    """Note how a lot stands; in the caller's transaction."""
    connection.execute(
        "update lots set decision = ? where part_id = ? and lot = ?",
        (decision, part_id, lot),
    )


def lot_from(row: Named) -> Lot:
    """Rebuild a Lot from a row of `LOTS`. Raises ValueError for a plan that is none."""
    if row["put_aside"] is not None:
        raise ValueError(f"it is in quarantine: {row['put_aside']}")
    check_columns(row, _LOT_COLUMNS)
    kept = None if row["plan"] is None else parsed(row["plan"])  # `null`: none, too
    plan = None if kept is None else dict(table(kept, "its plan"))
    columns = ("lot", "part_id", "supplier", "size", "decision", "opened_utc_ns")
    row = {name: row[name] for name in columns}
    return Lot(**{**row, "plan": plan})


_OF_ONE_RUN: Final = re.compile(r'"(device|lot|operator|note)": "[ !#-\[\]-~]*"')
"""What differs between the snapshots of a lot: texts, in ASCII and without escapes."""


def check_snapshot(snapshot: str) -> None:
    """Raise one of `snapshot.UNREADABLE` for a snapshot that cannot be read.

    Snapshots of which one can be read as the other can are looked at once: such texts
    are taken out, which never makes JSON of what was none, nor a text of another type.
    """
    try:
        _look_at_rest(_OF_ONE_RUN.sub(r'"\1": ""', snapshot))
    except UNREADABLE:
        basis_from(parsed(snapshot))  # tells why by what is written there
        raise


@lru_cache(maxsize=2_048)  # our rule: a screen asks for the same lot each second
def _look_at_rest(snapshot: str) -> None:
    basis_from(parsed(snapshot))


def lot_run_from(row: Named) -> LotRun:
    """Rebuild a LotRun from a row of `LOT_RUNS`. Raises `snapshot.UNREADABLE`."""
    check_columns(row, _RUN_COLUMNS)
    check_word("verdict", row["word"], Decision)
    check_rates(row)
    check_snapshot(row["snapshot"])
    yes = ("set_aside", "damaged", "marked", "simulated", "planned", "over_temperature")
    read: dict[str, object] = {name: bool(row[name]) for name in yes}
    read["held"] = (row["question"] or "") if row["held"] else ""
    read["judged_as"] = row["judged_as"] or ""
    read["purpose"] = Purpose(row["purpose"])
    tolerance = row["tolerance_ppm"]  # `inf` is a text
    read["tolerance_ppm"] = None if tolerance is None else float(tolerance)
    plain = {name: value for name, value in row.items() if name not in _ASKED}
    return LotRun(**{**plain, **read})


@dataclass(frozen=True, slots=True)
class RunOfLot:
    """A run as its lot's decision needs it, and what its time base is.

    `base_u_ppm` is the standard uncertainty of its time base; None is unknown.
    """

    run: LotRun
    base_status: str | None
    base_u_ppm: float | None


def run_of_lot_from(row: Named) -> RunOfLot:
    """Rebuild what a row of `all_lot_runs` tells. Raises `snapshot.UNREADABLE`."""
    if row["put_aside"] is not None:
        raise ValueError(f"it is in quarantine: {row['put_aside']}")
    plain = {name: value for name, value in row.items() if name not in _OF_LOT}
    u_ppm, status = row["base_u_ppm"], row["base_status"]  # `inf` is a text
    return RunOfLot(
        lot_run_from(plain),
        None if status is None else check_text("timebase.status", status),
        None if u_ppm is None else float(u_ppm),
    )


def runs_by_lot(
    rows: Iterable[Named], left_out: dict[str, str]
) -> dict[tuple[str, str], list[RunOfLot]]:
    """Return the rows of `all_lot_runs` by part and lot, of those that measured.

    What cannot be read is noted in `left_out`.
    """
    found: dict[tuple[str, str], list[RunOfLot]] = {}
    for row in rows:
        try:
            one = run_of_lot_from(row)
        except UNREADABLE as error:
            left_out[f"run {row['run']}"] = why_unreadable(error)
            continue
        if one.run.purpose in (Purpose.INSPECT, Purpose.MEASURE):
            found.setdefault((row["part"], row["lot"]), []).append(one)
    return found
