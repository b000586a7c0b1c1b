"""What is wrong with a database, and what to do about it: looked at, and mended.

Nothing a keeper wrote is changed or deleted. A run that cannot be read is put into
quarantine by a row of its own; what is derived from readings is made anew.
"""

from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from benchlog.errors import StoreDamagedError, UnreadableRunError
from benchlog.store import files, sqlite
from benchlog.store.backup import at_newest_schema
from benchlog.store.integrity.log_check import look_at_log
from benchlog.store.integrity.quarantine import (
    CHECK,
    LOT,
    RUN,
    Record,
    in_quarantine,
)
from benchlog.store.integrity.row_check import (
    backward_rows,
    bad_rows,
    events_of_no_kind,
)
from benchlog.store.logged_tables import LOGGED
from benchlog.store.opening import opened
from benchlog.store.reader import Reader
from benchlog.store.sqlite import Connection, SqliteError
from benchlog.store.writer import Writer
from benchlog.units import printable

_MOST: Final = 20  # our rule: a person reads the first few
_SMALL: Final = ("runs", "devices", "lots", "amendments", "verdicts")
_IN_INDEX: Final = " index "
"""What SQLite says of a table and an index that do not go together."""
Progress = Callable[[int], object]
"""Told the number of a run that was looked at."""
SALVAGE: Final = (
    "end its keepers, copy the file with those named -wal and -shm away, then bring "
    "what can be read into a new database: benchlog merge {0} --db new.db"
)
QUARANTINE: Final = "benchlog check --repair puts it into quarantine; every byte stays"
REBUILD: Final = "benchlog check --repair makes it anew from the readings"
FILE, ROWS, HELD, DERIVED = "file", "rows", "quarantine", "derived"
_HOLES: Final = """
select id + 1, next - 1 from (
  select id, lead(id) over (order by id) as next
  from (select 0 as id union all select id from {0} where id > 0))
where next > id + 1 limit {1}
"""
_ORPHANS: Final = "pragma foreign_key_check"
_DERIVED: Final = """
select run_id from outline group by run_id
  having total(n) > (select count(*) from readings r where r.run_id = outline.run_id)
    or min(n) < 1
union select run_id from packed group by run_id
  having total(n) > (select count(*) from readings r where r.run_id = packed.run_id)
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class DamageFound:
    """One thing that is wrong, or put aside; `todo` is what a person does about it.

    `kind` is `file`, `rows`, `quarantine` (put aside before; nothing to do) or
    `derived`. `record` is what can be put aside, if it is that.
    """

    kind: str
    what: str
    todo: str = ""
    record: Record | None = None
    run: int | None = None


def examine(
    path: Path, progress: Callable[[int], object] | None = None
) -> list[DamageFound]:
    """Return all that is wrong with a database; an empty list is a whole one.

    `progress` is told the number of each run that was looked at. Raises StoreError for
    a file that is missing, not ours or of a newer version.
    """
    files.refuse_special(path)
    found = list(_of_the_log(path))
    try:
        with (
            at_newest_schema(path) as current,
            Reader.open(current) as reader,
            closing(opened(current)) as connection,
        ):
            found += _of_the_file(connection, path)
            found += _of_records(reader, connection, progress)
            found += _of_tables(connection)
    except (StoreDamagedError, SqliteError, MemoryError) as error:
        found.append(_found(FILE, printable(str(error)), SALVAGE.format(path)))
    return found


def repair(
    writer: Writer, found: list[DamageFound], software: str
) -> list[DamageFound]:
    """Put aside what cannot be read, make anew what is derived; return what was done.

    `software` is the version that does it. Raises StoreError.
    """
    done = []
    for one in found:
        if one.record is not None and writer.put_aside(one.record, one.what, software):
            done.append(one)
        elif one.kind == DERIVED and one.run is not None:
            writer.rebuild_outline(one.run)
            done.append(one)
    return done


def look_at_pages(path: Path) -> str:
    """Return what is wrong with the pages of a file, empty where nothing is.

    An older state of the file in its place may have sound pages that do not go
    together: of tables that are small the indices are looked at, too.
    """
    try:
        with closing(sqlite.connect_to_read(path)) as connection:
            looks = ("quick_check(1)", *(f"integrity_check({one})" for one in _SMALL))
            for look in looks:
                for (said,) in connection.execute(f"pragma {look}").fetchall():
                    if said != "ok" and (look == looks[0] or _IN_INDEX in str(said)):
                        return printable(str(said))
            return ""
    except SqliteError as error:
        is_damaged = isinstance(sqlite.store_error(error, path), StoreDamagedError)
        return printable(str(error)) if is_damaged else ""


def _of_the_log(path: Path) -> Iterator[DamageFound]:
    said = look_at_log(path) if path.is_file() else ""
    if said:
        todo = (
            "copy the file with those named -wal and -shm away before its keeper ends; "
            f"then: benchlog backup whole.db --db {path}"
        )
        yield _found(FILE, said, todo)


def _of_the_file(connection: Connection, path: Path) -> Iterator[DamageFound]:
    for (said,) in connection.execute(f"pragma integrity_check({_MOST})").fetchall():
        if said != "ok":
            yield _found(FILE, printable(str(said)), SALVAGE.format(path))


def _of_records(
    reader: Reader, connection: Connection, progress: Progress | None
) -> Iterator[DamageFound]:
    held = in_quarantine(connection)
    for record, reason in held.items():
        yield _found(HELD, f"{_named(record)}: {reason}")
    for (run,) in connection.execute("select id from runs order by id").fetchall():
        if progress is not None:
            progress(run)
        if (RUN, run) not in held:
            yield from _of_run(reader, connection, run)
    reader.left_out.clear()
    reader.reference_checks()
    reader.lot_ids()
    for name, why in reader.left_out.items():
        yield from _of_others(connection, held, name, why)


def _of_run(reader: Reader, connection: Connection, run: int) -> Iterator[DamageFound]:
    record = (RUN, run)
    try:
        reader.run(run)
    except UnreadableRunError as error:
        yield _found(ROWS, f"run {run}: {error.why}", QUARANTINE, record)
        return
    try:
        wrong = "; ".join(map(str, bad_rows(connection, run)))
        odd = (*backward_rows(connection, run), *events_of_no_kind(connection, run))
    except (SqliteError, MemoryError) as error:
        wrong, odd = f"its rows cannot be read ({error})", ()
    if wrong:
        yield _found(ROWS, f"run {run}: {wrong}", QUARANTINE, record)
    elif odd:
        todo = f"benchlog void {run} if it is not to count"
        yield _found(ROWS, f"run {run}: {'; '.join(map(str, odd))}", todo, None, run)


def _of_others(
    connection: Connection, held: dict[Record, str], name: str, why: str
) -> Iterator[DamageFound]:
    """Find lots and checks that cannot be read, under the numbers they have."""
    kind, _, said = name.partition(" ")
    if name.startswith(CHECK):
        record: Record | None = (CHECK, int(name.removeprefix(CHECK)))
    elif kind == LOT:
        row = connection.execute(
            "select id from lots where lot = ?", (said,)
        ).fetchone()
        record = None if row is None else (LOT, int(row[0]))
    else:
        record = None
    if record not in held:
        yield _found(ROWS, f"{name}: {why}", QUARANTINE, record)


def _of_tables(connection: Connection) -> Iterator[DamageFound]:
    foreign: dict[tuple[str, str], int] = {}
    for table, _, parent, _ in connection.execute(_ORPHANS).fetchall():
        foreign[table, parent] = foreign.get((table, parent), 0) + 1
    for (table, parent), count in foreign.items():
        rows = "a row" if count == 1 else f"{count:,} rows"
        what = f"{rows} of {table} of which there is nothing in {parent}"
        yield _found(ROWS, what, "no list shows such rows; nothing is to be done")
    for table in (one.name for one in LOGGED):
        for first, last in connection.execute(_HOLES.format(table, _MOST)).fetchall():
            what = f"{table} has no rows {first:,} to {last:,}: they were taken away"
            yield _found(ROWS, what, "look for them in a backup: benchlog merge")
    for (run,) in connection.execute(_DERIVED).fetchall():
        what = f"run {run}: what is derived of its readings does not fit them"
        yield _found(DERIVED, what, REBUILD, None, run)


def _named(record: Record) -> str:
    return f"{record[0]} {record[1]} is in quarantine"


def _found(
    kind: str,
    what: str,
    todo: str = "",
    record: Record | None = None,
    run: int | None = None,
) -> DamageFound:
    return DamageFound(kind=kind, what=what, todo=todo, record=record, run=run)
