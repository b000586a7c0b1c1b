"""The schema as numbered steps, forward only; `user_version` counts those done.

A step that has been released is never edited: a change is a new step, with a test that
runs it on a file made by the steps before it.
"""

import logging
from collections.abc import Callable
from typing import Final

from sqlite_utils import Database

from benchlog.store.schema import (
    first_views,
    judged_columns,
    named_views,
    no_programs,
    phase_table,
    quarantine_table,
    told_views,
    uid_columns,
)

Step = Callable[[Database], None]
_LOG: Final = logging.getLogger(__name__)  # to standard error, where nobody set it up

APPEND_ONLY: Final = ("readings", "edges", "conditions", "events", "verdicts")
"""Tables whose rows are what happened: they are never changed or deleted."""
_FROZEN_OF_RUN: Final = (
    "id, purpose, device_id, position, bench, nominal_hz, divider, simulated, "
    "started_utc_ns, snapshot"
)

_CATALOGUE: Final[dict[str, dict[str, type]]] = {
    "parts": {"id": str, "title": str, "kind": str, "nominal_hz": float, "body": str},
    "lots": {
        "id": int,
        "lot": str,
        "part_id": str,
        "supplier": str,
        "size": int,
        "plan": str,
        "decision": str,
        "opened_utc_ns": int,
    },
    "devices": {"id": int, "device": str, "part_id": str, "lot_id": int},
    "instruments": {
        "id": int,
        "maker": str,
        "model": str,
        "serial": str,
        "firmware": str,
        "text": str,
        "simulated": int,
        "first_seen_utc_ns": int,
    },
}
_RUNS: Final[dict[str, dict[str, type]]] = {
    "runs": {
        "id": int,
        "purpose": str,
        "device_id": int,
        "instrument_id": int,
        "position": str,
        "bench": str,
        "nominal_hz": float,
        "divider": float,
        "simulated": int,
        "started_utc_ns": int,
        "ended_utc_ns": int,
        "ended_how": str,
        "operator": str,
        "note": str,
        "software": str,
        "snapshot": str,
        "resolution_hz": float,
        "control": str,
    },
    "segments": {
        "id": int,
        "run_id": int,
        "began_utc_ns": int,
        "began_mono_ns": int,
        "boot_id": str,
    },
}
_LOGGED: Final[dict[str, dict[str, type]]] = {
    "readings": {
        "id": int,
        "run_id": int,
        "segment_id": int,
        "utc_ns": int,
        "mono_ns": int,
        "gate_s": float,
        "frequency_hz": float,
        "ambient_c": float,
        "flags": int,
        "raw": str,
    },
    "edges": {
        "id": int,
        "run_id": int,
        "segment_id": int,
        "instrument": str,
        "utc_ns": int,
        "mono_ns": int,
        "sequence": int,
        "flags": int,
    },
    "conditions": {
        "id": int,
        "run_id": int,
        "segment_id": int,
        "utc_ns": int,
        "mono_ns": int,
        "quantity": str,
        "value": float,
        "unit": str,
        "instrument": str,
        "flags": int,
        "raw": str,
    },
    "events": {
        "id": int,
        "run_id": int,
        "segment_id": int,
        "utc_ns": int,
        "mono_ns": int,
        "kind": str,
        "text": str,
        "instrument": str,
        "raw": bytes,
    },
}
_CONCLUDED: Final[dict[str, dict[str, type]]] = {
    "reference_checks": {
        "id": int,
        "instrument_id": int,
        "run_id": int,
        "offset_ppm": float,
        "u_ppm": float,
        "method": str,
        "at_utc_ns": int,
        "valid_until_utc_ns": int,
    },
    "verdicts": {
        "id": int,
        "run_id": int,
        "at_utc_ns": int,
        "word": str,
        "offset_ppm": float,
        "u_ppm": float,
        "limit_ppm": float,
        "conformance": float,
        "rule": str,
        "figures": str,
    },
    "outline": {
        "run_id": int,
        "first_id": int,
        "last_id": int,
        "n": int,
        "t0_utc_ns": int,
        "t1_utc_ns": int,
        "t0_mono_ns": int,
        "t1_mono_ns": int,
        "min_hz": float,
        "max_hz": float,
        "mean_hz": float,
        "ambient_mean_c": float,
        "flags": int,
    },
}
_AMENDMENTS: Final[dict[str, type]] = {
    "id": int,
    "run_id": int,
    "at_utc_ns": int,
    "kind": str,
    "old": str,
    "new": str,
    "reason": str,
    "operator": str,
}
_PACKED: Final = {
    "run_id": int,
    "first_id": int,
    "last_id": int,
    "n": int,
    "body": bytes,
}
_MAY_BE_NULL: Final = {
    "amendments": {"old", "new"},
    "lots": {"size", "plan", "decision"},
    "devices": {"lot_id"},
    "runs": {"instrument_id", "ended_utc_ns", "ended_how", "resolution_hz"},
    "readings": {"utc_ns", "ambient_c", "raw"},
    "edges": {"utc_ns"},
    "conditions": {"raw"},
    "events": {"segment_id", "raw"},
    "reference_checks": {"run_id"},
    "verdicts": {"offset_ppm", "u_ppm", "limit_ppm", "conformance"},
    "outline": {"t0_utc_ns", "t1_utc_ns", "ambient_mean_c"},
}
_CHECKS: Final = {
    "readings": "frequency_hz > 0 and frequency_hz < 9e999 and gate_s >= 0"
    " and gate_s < 9e999 and (ambient_c is null or abs(ambient_c) < 9e999)",
    "conditions": "abs(value) < 9e999",
}
"""What no writer can get past: SQLite stores infinities (9e999 is one) unasked."""
_PARENTS: Final = {
    "part_id": "parts",
    "lot_id": "lots",
    "device_id": "devices",
    "instrument_id": "instruments",
    "run_id": "runs",
    "segment_id": "segments",
}


def _first_schema(db: Database) -> None:
    for tables in (_CATALOGUE, _RUNS, _LOGGED, _CONCLUDED):
        for name, columns in tables.items():
            _create(db, name, columns)
    for name in (*_LOGGED, "segments", "verdicts"):
        db.table(name).create_index(["run_id"])
    db.table("runs").create_index(["device_id"])
    db.execute(
        "create unique index one_device on devices (part_id, device, ifnull(lot_id, 0))"
    )
    db.table("lots").create_index(["part_id", "lot"], unique=True)
    db.table("instruments").create_index(
        ["maker", "model", "serial", "firmware", "text"], unique=True
    )
    db.table("reference_checks").create_index(["instrument_id"])
    db.create_view("readings_named", first_views.READINGS_NAMED)
    for name in APPEND_ONLY:
        _forbid(db, name, "update", "changed")
        _forbid(db, name, "delete", "deleted")
    _forbid(db, "runs", "delete", "deleted")
    _forbid(
        db, "runs", f"update of {_FROZEN_OF_RUN}", "changed in what they began with"
    )


def _create(db: Database, name: str, columns: dict[str, type]) -> None:
    optional = _MAY_BE_NULL.get(name, set())
    key: str | tuple[str, ...] = "id" if "id" in columns else ("run_id", "first_id")
    sql = db.create_table_sql(
        name,
        columns,
        pk=key,
        not_null={column for column in columns if column not in optional} - {"id"},
        foreign_keys=[
            (column, _PARENTS[column], "id") for column in columns if column in _PARENTS
        ],
        strict=True,
    )
    if name in _CHECKS:
        body, end = sql.rsplit("\n)", maxsplit=1)
        sql = f"{body},\n   CHECK ({_CHECKS[name]})\n){end}"
    db.execute(sql)


def _forbid(db: Database, table: str, doing: str, done: str) -> None:
    name = f"{table}_keep_on_{doing.split(maxsplit=1)[0]}"
    db.execute(
        f"create trigger {name} before {doing} on {table} "
        f"begin select raise(abort, '{table} are never {done}'); end"
    )


def _amendments(db: Database) -> None:
    """Corrections beside what they correct: both stay readable."""
    _create(db, "amendments", _AMENDMENTS)
    db.table("amendments").create_index(["run_id"])
    for doing, done in (("update", "changed"), ("delete", "deleted")):
        _forbid(db, "amendments", doing, done)
    db.execute("drop view readings_named")
    db.create_view("readings_named", first_views.AMENDED_NAMED)


def _packed_blocks(db: Database) -> None:
    """Blocks of readings as arrays, derived, so that long runs open quickly."""
    _create(db, "packed", _PACKED)


def _newest_by_time(db: Database) -> None:
    """The newest amendment is the one said last: a merge brings them in by file."""
    view = first_views.AMENDED_NAMED
    for before, after in first_views.BY_TIME.items():
        if before not in view:
            raise ValueError(f"the view has no {before!r}")
        view = view.replace(before, after)
    db.execute("drop view readings_named")
    db.create_view("readings_named", view)


def _whether_runs_count(db: Database) -> None:
    """Runs and results by name, and whether each counts: for any tool that reads."""
    for index in named_views.INDEXES:
        db.execute(index)
    db.execute("drop view readings_named")
    db.create_view("runs_named", named_views.RUNS_NAMED)
    db.create_view("results", named_views.RESULTS)
    db.create_view("readings_named", named_views.READINGS_NAMED)


def _exact_phase(db: Database) -> None:
    """Imported phase as it was: a frequency near nominal loses its last digits."""
    for statement in phase_table.STATEMENTS:
        db.execute(statement)


def _quarantine(db: Database) -> None:
    """Records that cannot be read are put aside by a row; no view fails of one."""
    for statement in quarantine_table.TABLE:
        db.execute(statement)
    told_views.views_anew(db, quarantine_table.VIEWS)


def _no_programs(db: Database) -> None:
    """What is run on this computer is in its bench file, not in a database."""
    taken = no_programs.programs_removed(db)
    if taken:
        _LOG.warning(
            "benchlog: what alarms run and whom they tell is in the bench file alone "
            "now; taken out of the database: %s",
            "; ".join(taken),
        )


def _runs_by_time(db: Database) -> None:
    """The runs since a day are found without a look at the others."""
    db.table("runs").create_index(["started_utc_ns"], "runs_by_time")


def _judged_columns(db: Database) -> None:
    """An unfinished trim does not count; what was judged is beside what was read."""
    told_views.views_anew(db, judged_columns.VIEWS)


def _told_views(db: Database) -> None:
    """An import is dated by its readings; a verdict has the part that it is on."""
    told_views.views_anew(db, told_views.VIEWS)


STEPS: Final[tuple[Step, ...]] = (
    _first_schema,
    _amendments,
    _packed_blocks,
    _newest_by_time,
    _whether_runs_count,
    _exact_phase,
    _quarantine,
    _no_programs,
    uid_columns.add_uids,
    _runs_by_time,
    _judged_columns,
    _told_views,
)
