"""The rows that a run begins with, and those that conclude it."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from benchlog.errors import StoreRefusedError
from benchlog.model import (
    Identity,
    Part,
    PositionSpec,
    ReferenceCheck,
    RunPlan,
    Timebase,
)
from benchlog.store.identity import has_uids, new_uid
from benchlog.store.integrity.row_numbers import next_run, refuse_odd_numbers
from benchlog.store.parameters import text
from benchlog.store.rows import Amendment, VerdictRow
from benchlog.store.snapshot import dump, freeze
from benchlog.store.sqlite import Connection
from benchlog.units import NS_PER_S


@dataclass(frozen=True, slots=True, kw_only=True)
class Beginning:
    """All that is known of a run before its first reading.

    `origin` is where an imported run came from (kept in the snapshot).
    """

    plan: RunPlan
    identities: Mapping[str, Identity]
    timebase: Timebase
    control: str = ""
    resolution_hz: float | None = None
    origin: Mapping[str, object] | None = field(default=None)


def insert_run(connection: Connection, beginning: Beginning, utc_ns: int) -> int:
    """Insert a run with all that it refers to; in the caller's transaction."""
    refuse_odd_numbers(connection)
    plan = beginning.plan
    put_part(connection, plan.part)
    lot_id = None if plan.lot is None else _lot(connection, plan, utc_ns)
    device_id = _device(connection, plan, lot_id)
    seen = {
        name: put_instrument(connection, identity, utc_ns)
        for name, identity in beginning.identities.items()
    }
    position = position_of(plan)
    row = {
        "id": next_run(connection),
        "purpose": str(plan.purpose),
        "device_id": device_id,
        "instrument_id": seen.get(position.frequency),
        "position": text("position", plan.position),
        "bench": text("bench", plan.bench.name),
        "nominal_hz": float(plan.part.nominal_hz),
        "divider": float(position.divider),
        "simulated": int(is_simulated(plan, beginning.identities)),
        "started_utc_ns": utc_ns,
        "operator": text("operator", plan.operator),
        "note": text("note", plan.note),
        "software": text("software", plan.software),
        "snapshot": dump(
            freeze(plan, beginning.identities, beginning.timebase, beginning.origin)
        ),
        "resolution_hz": beginning.resolution_hz,
        "control": text("control socket", beginning.control),
    }
    named = {"uid": new_uid()} if has_uids(connection) else {}
    return _insert(connection, "runs", {**row, **named})


def reopen_run(connection: Connection, run_id: int, control: str) -> None:
    """Open a run again. Raises StoreDamagedError for odd numbers of rows."""
    refuse_odd_numbers(connection)
    connection.execute(
        "update runs set ended_utc_ns = null, ended_how = null, control = ?"
        " where id = ?",
        (text("control socket", control), run_id),
    )


def position_of(plan: RunPlan) -> PositionSpec:
    """Return the plan's position as its bench has it; a bare one where it has none."""
    for position in plan.bench.positions:
        if position.name == plan.position:
            return position
    return PositionSpec(name=plan.position, frequency="")


def is_simulated(plan: RunPlan, identities: Mapping[str, Identity]) -> bool:
    """Whether anything that measures at the plan's position is simulated."""
    position = position_of(plan)
    names = {
        position.frequency,
        position.ambient,
        position.supply,
        position.reference,
    }
    specs = [spec for name, spec in plan.bench.instruments.items() if name in names]
    said = any(one.simulated for one in identities.values())
    return said or any(spec.simulated for spec in specs)


def put_instrument(connection: Connection, identity: Identity, utc_ns: int) -> int:
    """Return the id of an instrument as it presents itself, noting it when new."""
    row = {
        "maker": text("maker", identity.maker),
        "model": text("model", identity.model),
        "serial": text("serial number", identity.serial),
        "firmware": text("firmware", identity.firmware),
        "text": text("identity", identity.text),
    }
    where = " and ".join(f"{name} = :{name}" for name in row)
    found = connection.execute(
        f"select id from instruments where {where}",  # noqa: S608 - our own names
        row,
    ).fetchone()
    if found is not None:
        return int(found[0])
    more = {"simulated": int(identity.simulated), "first_seen_utc_ns": utc_ns}
    return _insert(connection, "instruments", {**row, **more})


def put_part(connection: Connection, part: Part) -> None:
    """Insert a part, or bring it up to date; in the caller's transaction."""
    connection.execute(
        "insert into parts (id, title, kind, nominal_hz, body) values (?, ?, ?, ?, ?)"
        " on conflict (id) do update set title = excluded.title, kind = excluded.kind,"
        " nominal_hz = excluded.nominal_hz, body = excluded.body",
        (
            text("part", part.id),
            text("title of the part", part.title),
            str(part.kind),
            float(part.nominal_hz),
            dump(part),
        ),
    )


def _lot(connection: Connection, plan: RunPlan, utc_ns: int) -> int:
    name = text("lot", plan.lot or "")
    found = connection.execute(
        "select id from lots where part_id = ? and lot = ?", (plan.part.id, name)
    ).fetchone()
    if found is not None:
        return int(found[0])
    row = {
        "lot": name,
        "part_id": plan.part.id,
        "supplier": "",
        "opened_utc_ns": utc_ns,
    }
    return _insert(connection, "lots", row)


def _device(connection: Connection, plan: RunPlan, lot_id: int | None) -> int:
    name = text("device id", plan.device)
    found = connection.execute(
        "select id from devices where part_id = ? and device = ? and lot_id is ?",
        (plan.part.id, name, lot_id),
    ).fetchone()
    if found is not None:
        return int(found[0])
    row = {"device": name, "part_id": plan.part.id, "lot_id": lot_id}
    return _insert(connection, "devices", row)


def _insert(connection: Connection, table: str, row: Mapping[str, object]) -> int:
    names = ", ".join(row)
    holes = ", ".join(f":{name}" for name in row)
    sql = f"insert into {table} ({names}) values ({holes})"  # noqa: S608 - our names
    return int(connection.execute(sql, dict(row)).lastrowid or 0)


# --- verdicts and reference checks: what was concluded, as rows

_LATEST_NS: Final = 2**63 - 1
_NEWEST_SAID: Final = """
select max(at_utc_ns) from (
  select at_utc_ns from amendments where run_id = :run
  union all select at_utc_ns from verdicts where run_id = :run)
"""


def insert_verdict(
    connection: Connection, run_id: int, row: VerdictRow, now_utc_ns: int
) -> int:
    """Insert a verdict, return its id. Raises StoreRefusedError for NaN or infinity."""
    figures = {
        "offset_ppm": row.offset_ppm,
        "u_ppm": row.u_ppm,
        "limit_ppm": row.limit_ppm,
        "conformance": row.conformance,
    }
    _refuse_not_finite("the verdict", figures)
    found = connection.execute(
        "insert into verdicts (run_id, at_utc_ns, word, offset_ppm, u_ppm, limit_ppm,"
        " conformance, rule, figures) values (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            run_id,
            _said_at(connection, run_id, row.at_utc_ns, now_utc_ns),
            str(row.word),
            *figures.values(),
            text("rule", row.rule),
            dump(row.figures),
        ),
    )
    return int(found.lastrowid or 0)


def insert_amendment(
    connection: Connection, run_id: int, row: Amendment, now_utc_ns: int
) -> int:
    """Insert an amendment, return its id. Raises StoreRefusedError for bad text."""
    values = {
        name: None if value is None else text(name, value)
        for name, value in (
            ("kind", row.kind),
            ("old", row.old),
            ("new", row.new),
            ("reason", row.reason),
            ("operator", row.operator),
        )
    }
    found = connection.execute(
        "insert into amendments (run_id, at_utc_ns, kind, old, new, reason, operator)"
        " values (?, ?, ?, ?, ?, ?, ?)",
        (
            run_id,
            _said_at(connection, run_id, row.at_utc_ns, now_utc_ns),
            *values.values(),
        ),
    )
    return int(found.lastrowid or 0)


def _said_at(
    connection: Connection, run_id: int, at_ns: int | None, now_ns: int
) -> int:
    """Return when a row is said: now, and later than all that was said before it.

    The newest by time counts, and a clock may have been set back meanwhile. It is then
    later by a part of a second that the clock tells: what is said of two copies of a
    run at different times is never dated alike, since a merge would take it for one. A
    verdict that was given with a correction is later than that: it comes with it.
    """
    if at_ns is not None:
        return at_ns
    newest = connection.execute(_NEWEST_SAID, {"run": run_id}).fetchone()[0]
    if newest is None:
        return now_ns
    later = int(newest) + 1
    if now_ns < later:
        later += now_ns % NS_PER_S
    return min(max(now_ns, later), _LATEST_NS)  # the id settles a tie


def insert_reference_check(
    connection: Connection, check: ReferenceCheck, now_utc_ns: int
) -> int:
    """Insert a reference check, return its id. Raises StoreRefusedError."""
    figures = {"offset_ppm": check.offset_ppm, "u_ppm": check.u_ppm}
    _refuse_not_finite("the reference check", figures)
    found = connection.execute(
        "insert into reference_checks (instrument_id, run_id, offset_ppm, u_ppm,"
        " method, at_utc_ns, valid_until_utc_ns) values (?, ?, ?, ?, ?, ?, ?)",
        (
            put_instrument(connection, check.instrument, now_utc_ns),
            check.run_id,
            *figures.values(),
            text("method", check.method),
            check.at_utc_ns,
            check.valid_until_utc_ns,
        ),
    )
    return int(found.lastrowid or 0)


def _refuse_not_finite(what: str, figures: Mapping[str, float | None]) -> None:
    for name, figure in figures.items():
        if figure is not None and not math.isfinite(figure):
            raise StoreRefusedError(
                f"{what} cannot be stored: {name} is {figure!r}; unknown is None"
            )
