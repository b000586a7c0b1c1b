"""The step that gives each run and each database a UUID.

A released step is never edited: what changes is a new step with new texts.
"""

import json
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, Final

from benchlog.store import identity, sqlite
from benchlog.store.schema import quarantine_table

if TYPE_CHECKING:
    from sqlite_utils import Database

_STATEMENTS: Final = (
    "alter table runs add column uid text not null default ''",
    """create table database_uids (
  id integer primary key, uid text not null, place text not null, how text not null
) strict""",
)
_RANDOM: Final = """lower(hex(randomblob(4)) || '-' || hex(randomblob(2)) || '-4'
  || substr(hex(randomblob(2)), 2) || '-' || substr('89ab', 1 + (random() & 3), 1)
  || substr(hex(randomblob(2)), 2) || '-' || hex(randomblob(6)))"""
"""A UUID of version 4 (RFC 9562, 5.4): whoever begins a run, it gets one."""
TRIGGERS: Final = (
    f"""create trigger runs_get_uid after insert on runs when new.uid = ''
begin update runs set uid = {_RANDOM} where id = new.id; end""",  # noqa: S608 - ours
    """create trigger runs_keep_uid before update of uid on runs
when old.uid <> '' and (old.ended_utc_ns is not null or length(new.uid) <> 36)
begin select raise(abort, 'the UUID of a run is never changed'); end""",
    """create trigger database_uids_keep_on_update before update on database_uids
begin select raise(abort, 'database_uids are never changed'); end""",
    """create trigger database_uids_keep_on_delete before delete on database_uids
begin select raise(abort, 'database_uids are never deleted'); end""",
)
_GUARDS: Final = ("create unique index runs_by_uid on runs (uid)", *TRIGGERS)
_RUNS: Final = """
select r.id, r.purpose, d.device, r.position, r.started_utc_ns, r.snapshot,
  exists(select 1 from events e where e.run_id = r.id
    and (e.kind = 'rejected' and e.utc_ns >= r.started_utc_ns
      or e.kind = 'note' and e.text like 'the file was changed after it was exported%')
  ) or ifnull(r.ended_how, '') <> 'file read' as changed
from runs r left join devices d on d.id = r.device_id
order by r.purpose = 'import', r.started_utc_ns, r.id
"""
"""Runs that were measured here before copies, so that these find their UUID taken."""


_LAST: Final = {
    "runs_named": ("u.simulated, s.made_for\n", "u.uid as run_uid"),
    "results": ("verdict, damaged, simulated\n", "run_uid"),
    "readings_named": ("n.counts, n.does_not_count\n", "n.run_uid"),
}
"""The last columns of each view, and what comes after them."""


def _with_uid(name: str) -> str:
    view, (last, more) = quarantine_table.VIEWS[name], _LAST[name]
    if view.count(last) != 1:
        raise ValueError(f"{name} has no {last!r}")
    return view.replace(last, f"{last.rstrip()}, {more}\n")


VIEWS: Final = {name: _with_uid(name) for name in _LAST}


def add_uids(db: "Database") -> None:
    """Add the columns, and give what is there its UUIDs; in one transaction."""
    for statement in _STATEMENTS:
        db.execute(statement)
    usual, db.conn.text_factory = db.conn.text_factory, sqlite.escaped
    try:
        uids = list(_uids(db))
    finally:
        db.conn.text_factory = usual
    db.conn.executemany("update runs set uid = ? where id = ?", uids)
    for statement in _GUARDS:
        db.execute(statement)
    for name in reversed(VIEWS):
        db.execute(f"drop view {name}")
    for name, view in VIEWS.items():
        db.create_view(name, view)
    uid, how = identity.new_uid(), identity.MADE
    if uids:
        uid, how = identity.uid_of_runs(uid for uid, _ in uids), identity.OLDER
    db.execute(
        "insert into database_uids (uid, place, how) values (?, '', ?)", [uid, how]
    )


def _uids(db: "Database") -> Iterator[tuple[str, int]]:
    """Yield the UUID and number of each run.

    An import is the run that its file holds, unless the file was changed or lines of
    it were rejected (events of before the import were in the file), or that run is here
    already.
    """
    given: set[str] = set()
    for number, purpose, device, position, started, text, changed in db.execute(_RUNS):
        run: dict[str, Any] = {
            "purpose": purpose,
            "device": device,
            "position": position,
            "started_utc_ns": started,
            "snapshot": _snapshot(text),
        }
        uid = identity.derived_uid(run)
        is_copy = identity.exported_head(run["snapshot"]) is not None
        if is_copy and changed:
            uid = identity.uid_of_another(uid, "changed", started)
        elif uid in given:
            uid = identity.uid_of_another(uid, "again", started)
        while uid in given:  # begun in the same nanosecond
            uid = identity.uid_of_another(uid, "twin", started)
        given.add(uid)
        yield uid, number


def _snapshot(text: str) -> Any:
    """Return a snapshot; one that is damaged as the text that it is."""
    try:
        return json.loads(text)
    except (ValueError, RecursionError):
        return text
