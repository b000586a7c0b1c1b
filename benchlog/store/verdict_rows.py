"""Verdicts and reference checks: what was concluded, as rows."""

import math
from collections.abc import Mapping
from typing import Final

from benchlog.errors import StoreRefusedError
from benchlog.model import ReferenceCheck
from benchlog.store.parameters import text
from benchlog.store.rows import Amendment, VerdictRow
from benchlog.store.run_rows import put_instrument
from benchlog.store.snapshot import dump
from benchlog.store.sqlite import Connection

_LATEST_NS: Final = 2**63 - 1


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
            _said_at(connection, "verdicts", run_id, row.at_utc_ns, now_utc_ns),
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
            _said_at(connection, "amendments", run_id, row.at_utc_ns, now_utc_ns),
            *values.values(),
        ),
    )
    return int(found.lastrowid or 0)


def _said_at(
    connection: Connection, table: str, run_id: int, at_ns: int | None, now_ns: int
) -> int:
    """Return when a row is said: now, and later than all before it.

    The newest by time counts, and a clock may have been set back meanwhile.
    """
    if at_ns is not None:
        return at_ns
    newest = connection.execute(
        f"select max(at_utc_ns) from {table} where run_id = ?",  # noqa: S608 - our name
        (run_id,),
    ).fetchone()[0]
    if newest is None:
        return now_ns
    return min(max(now_ns, int(newest) + 1), _LATEST_NS)  # the id settles a tie


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
