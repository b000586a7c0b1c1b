"""Who is who across databases: the UUID of a run for life, the UUID of a database.

Numbers of runs are those of one file; a merge gives new ones. A run's UUID goes with it
through merge, export, import and dataset, so that what counts runs can count it once.

A database has a UUID of its own from the moment it is made. It notes with it which file
on which computer it is: a file that was copied finds by that that it is another one.
UUIDs are those of RFC 9562: version 4 for what begins, version 5 for what is derived.
"""

import hashlib
import hmac
import json
from collections.abc import Iterable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any, Final
from uuid import UUID, uuid4, uuid5

from benchlog.store import files
from benchlog.store.masked_snapshot import with_masked_addresses
from benchlog.store.snapshot import to_plain, without_programs
from benchlog.store.sqlite import Connection

_RUNS: Final = UUID("2b0d6a52-7c1e-5e0f-9a4b-6d1f6c1b7a10")
_DATABASES: Final = UUID("2b0d6a52-7c1e-5e0f-9a4b-6d1f6c1b7a11")
"""Our own name spaces, drawn once."""
MACHINE_ID: Final = Path("/etc/machine-id")

MADE: Final = "made"
OLDER: Final = "of an older version"
BACKUP: Final = "backup"
COPIED: Final = "copied"
"""How a database came to its UUID."""
MERGED: Final = "merged from "
"""How the event begins that a merge leaves in each run it brings in."""
_ELSEWHERE: Final = "; begun elsewhere: runs up to "
"""What follows in `how` where a database had runs when it became this file."""
_ALL: Final = 2**63 - 1

RUN_HERE: Final = "select id from runs where uid = :uid"
_NEWEST: Final = "select uid, place, how from database_uids order by id desc limit 1"
_HAS_UIDS: Final = "select 1 from sqlite_master where name = 'database_uids'"
_INSERT: Final = "insert into database_uids (uid, place, how) values (?, ?, ?)"


def new_uid() -> str:
    """Return the UUID of something that begins now."""
    return str(uuid4())


def uid_of(value: object) -> str | None:
    """Return what a file states as a UUID as we write it; None where it is none."""
    if not isinstance(value, str) or len(value) != len(str(_RUNS)):
        return None
    try:
        return str(UUID(value))
    except ValueError:
        return None


# --- runs of before, which have no UUID yet


def derived_uid(run: Mapping[str, Any]) -> str:
    """Return the UUID of a run that was begun before runs had one.

    `run` is its row, or the head of its export. It is the same wherever it is derived:
    it comes of what the run began with and every copy keeps, never of its number, of
    the programs of its alarms, or of passwords in addresses.
    """
    while (known := uid_of(run.get("run_uid"))) is None:
        copied = exported_head(run.get("snapshot"))
        if copied is None:
            return _derived(run)
        run = copied
    return known


def _derived(run: Mapping[str, Any]) -> str:
    began = [run.get(name) for name in ("started_utc_ns", "device", "position")]
    told = json.dumps(
        [*began, run.get("purpose"), _kept_by_all(run.get("snapshot"))],
        sort_keys=True,
        default=str,
    )
    return str(uuid5(_RUNS, told))


def _kept_by_all(snapshot: object) -> object:
    """Return what every copy of a snapshot has, of whatever version it is."""
    if not isinstance(snapshot, Mapping):
        return snapshot
    clean, _ = without_programs(json.dumps(to_plain(snapshot)))
    return with_masked_addresses(json.loads(clean))


def exported_head(snapshot: object) -> Mapping[str, Any] | None:
    """Return the head of the export that a run was imported from; None of others."""
    origin = snapshot.get("origin") if isinstance(snapshot, Mapping) else None
    head = origin.get("run") if isinstance(origin, Mapping) else None
    return head if isinstance(head, Mapping) and "snapshot" in head else None


def uid_of_another(uid: str, why: str, started_utc_ns: int) -> str:
    """Return the UUID of a second run made of an export: changed, or `again`."""
    return str(uuid5(UUID(uid), f"{why} {started_utc_ns}"))


def uid_of_runs(uids: Iterable[str]) -> str:
    """Return the UUID of a database that had none, from the runs in it."""
    return str(uuid5(_DATABASES, "\n".join(sorted(uids))))


# --- databases


def has_uids(connection: Connection) -> bool:
    """Whether a file has had the schema step that brings UUIDs."""
    return connection.execute(_HAS_UIDS).fetchone() is not None


def place_of(path: Path) -> str:
    """Return what tells this file from a copy of it: the computer, and the file there.

    It stays when the file is renamed. The computer's id stays there, as machine-id(5)
    asks for: only a keyed hash of it is stored.
    """
    machine = b""
    with suppress(OSError):
        machine = MACHINE_ID.read_bytes().strip()
    host = hmac.new(_DATABASES.bytes, machine, hashlib.sha256).hexdigest()[:16]
    _, number = files.identity_of(path) or (0, 0)
    return f"{host}:{number}"


def name_database(connection: Connection, uid: str, place: str, how: str) -> None:
    """Give a database another UUID; the ones before stay. In a transaction."""
    connection.execute(_INSERT, (uid, place, how))


def database_uid(connection: Connection, path: Path) -> str:
    """Return the UUID of a database that is read.

    A copy that nobody wrote to since has one that is derived: it is not the original.
    So has one whose UUIDs somebody took away.
    """
    here = place_of(path)
    uid, place, how = _newest(connection) or (str(_DATABASES), "", OLDER)
    is_itself = place == here or (not place and how == MADE)
    return str(uid) if is_itself else str(uuid5(UUID(uid), here))


def elsewhere_until(connection: Connection, path: Path) -> int:
    """Return the number up to which runs were begun elsewhere; 0 where none was.

    Elsewhere is another computer, another user, and the file that this one is a copy
    of. Of a file that nobody has written to here, that is all of its runs.
    """
    uid, place, how = (has_uids(connection) and _newest(connection)) or ("", "", "")
    if not uid or place != place_of(path) or not files.is_own(path):
        return _ALL
    return 0 if how == MADE else _until(how)


def _until(how: str) -> int:
    _, sign, number = how.partition(_ELSEWHERE)
    is_number = sign and number.isascii() and number.isdigit()
    return int(number) if is_number and len(number) < len(str(_ALL)) else _ALL


def with_runs_of(connection: Connection, how: str) -> str:
    """Return how a database became this file, with the runs that it had then.

    One that was just made has none.
    """
    (last,) = connection.execute("select max(id) from runs").fetchone()
    if last is None and how == MADE:
        return how
    came = OLDER if how == MADE else how.partition(_ELSEWHERE)[0]
    return f"{came}{_ELSEWHERE}{last or 0}"


def claim(connection: Connection, path: Path) -> None:
    """Note that the database is the file at `path`; a copy becomes one of its own.

    One that was of an older version until now gets the UUID that `database_uid` told
    of it before. Runs that are in it by now were begun elsewhere, except in one that
    was made here. Nothing is written where nothing is new.
    """
    if not has_uids(connection) or _is_claimed(connection, place_of(path)):
        return
    connection.execute("begin immediate")
    try:
        here = place_of(path)
        if not _is_claimed(connection, here):
            uid, place, how = _newest(connection) or (new_uid(), "", MADE)
            if place not in ("", here):
                uid, how = new_uid(), COPIED
            elif how != MADE and not place:
                uid = str(uuid5(UUID(uid), here))
            name_database(connection, uid, here, with_runs_of(connection, how))
        connection.execute("commit")
    except BaseException:
        if connection.in_transaction:
            connection.execute("rollback")
        raise


def _is_claimed(connection: Connection, place: str) -> bool:
    uid, there, how = _newest(connection) or ("", "", "")
    return bool(uid) and there == place and (how == MADE or _ELSEWHERE in how)


def _newest(connection: Connection) -> tuple[str, str, str] | None:
    """Return the newest UUID, the file it belongs to, and how it came about."""
    found = connection.execute(_NEWEST).fetchone()
    if found is None or (uid := uid_of(found[0])) is None:
        return None
    return uid, str(found[1]), str(found[2])
