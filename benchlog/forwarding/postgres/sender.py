"""The way of rows into a central database: in batches, each whole or not at all.

How far a database has been sent is kept over there, in the transaction that brings the
rows. Whoever sends believes only that: a sender may be killed, a network cut, a second
sender begun, and each row is there once.
"""

import hashlib
import socket
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final
from uuid import UUID

from benchlog.clock import host_deadline, host_sleep
from benchlog.errors import ForwardError
from benchlog.forwarding.address import Address
from benchlog.forwarding.postgres import schema
from benchlog.forwarding.postgres.server import driver
from benchlog.forwarding.postgres.shaping import Shaping
from benchlog.forwarding.postgres.tables import (
    BULK,
    DEVICES,
    LOTS,
    PARTS,
    RUNS,
    SMALL,
    TAILED,
    CentralTable,
)
from benchlog.store.tail.tail_reader import Row, TailReader

if TYPE_CHECKING:
    import psycopg

    Session = psycopg.Connection[Any]

_BATCH: Final = 10_000
"""Rows a transaction; see tests/forwarding/RESULTS.md for larger and smaller ones."""
_SMALL_BATCH: Final = 1_000  # our rule: what may be long in every row
_MOST_RUNS: Final = 50_000
"""Runs of which is known that they are there; our rule: 5 MB."""
_LOCK_S: Final = 5.0
"""How long a sender that was killed may take to be gone; our rule."""
_LOCK: Final = "select pg_try_advisory_lock(hashtextextended('benchlog ' || %s, 0))"
_NEWS: Final = """
insert into watermarks (source, kind, up_to, digest, all_sent_at)
values (%s, %s, 0, '', now()) on conflict do nothing
"""
_SOURCE: Final = """
insert into sources (source, place, host, software, first_seen)
values (%s, %s, %s, %s, now()) on conflict (source) do update
set host = excluded.host, software = excluded.software, place = excluded.place
"""
_MARKS: Final = "select kind, up_to, digest from watermarks where source = %s"
_HELD: Final = """
select up_to, digest from watermarks where source = %s and kind = %s for update
"""
_MOVE: Final = """
update watermarks set up_to = %s, digest = %s where source = %s and kind = %s
"""
_ALL_SENT: Final = """
update watermarks set all_sent_at = now() where source = %s and kind = any(%s)
"""
_OPEN: Final = "select run from runs where source = %s and ended_utc_ns is null"

Counts = dict[str, int]
"""Rows that were sent, by kind."""
Told = Callable[[str, int], None]
"""What is told while sending: the kind, and how many rows of it were sent so far."""


def marks_of(session: "Session", address: Address, reader: TailReader) -> Counts:
    """Return how far each kind of a database was sent: the last row that is there.

    Raises ForwardError where another database of this UUID has sent: what is there then
    tells nothing of this one.
    """
    found = {}
    source = UUID(reader.database_uid())
    for kind, up_to, told in session.execute(_MARKS, (source,)):
        if kind not in TAILED:
            continue
        _refuse_another(address, reader, (kind, up_to, told))
        found[kind] = up_to
    return found


def _refuse_another(
    address: Address, reader: TailReader, mark: tuple[str, int, str]
) -> None:
    kind, up_to, told = mark
    if up_to and reader.row_digest(kind, up_to) != told:
        raise ForwardError(
            f"{address.shown} has rows of another database with the same UUID "
            f"(row {up_to} of {kind} is another one there): this file is a copy of "
            "one that went on elsewhere, or was put back to an older state. "
            "`benchlog backup FILE` makes one with a UUID of its own: send that. "
            "Nothing was sent"
        )


class Sender:
    """Sends one database on; for one session with the central one."""

    def __init__(
        self, session: "Session", address: Address, reader: TailReader, software: str
    ) -> None:
        self._session, self._address, self._reader = session, address, reader
        self._software = software
        self._source = UUID(reader.database_uid())
        self._shaping = Shaping(reader, self._source)
        self._marks: dict[str, int] = {}
        self._staged: set[str] = set()
        self._months: set[object] = set()
        self._there: set[int] = set()
        self._fresh: set[int] = set()
        self._touched: set[int] = set()
        self._mutable = ""

    def begin(self) -> None:
        """Look at the schema, be the only sender of this database, and say hello.

        Raises ForwardError.
        """
        schema.look(self._session, self._address)
        self._lock()
        place = self._reader.place()
        given = (self._source, place, socket.gethostname(), self._software)
        with self._session.transaction():
            self._session.execute(_SOURCE, given)
            for kind in TAILED:
                self._session.execute(_NEWS, (self._source, kind))
        self._marks = marks_of(self._session, self._address, self._reader)

    def _lock(self) -> None:
        deadline = host_deadline(_LOCK_S)
        while True:
            got = self._session.execute(_LOCK, (str(self._source),)).fetchone()
            if got and got[0]:
                return
            if deadline.passed:
                raise ForwardError(
                    f"another sender is sending this database to {self._address.shown}"
                    " now; one is enough"
                )
            host_sleep(0.2)

    def round(self, sent: Counts, *, readings: bool, progress: Told | None) -> None:
        """Send all that is committed by now. Raises ForwardError."""
        self._send_mutable(sent)
        kinds = [*SMALL.values(), *(BULK.values() if readings else ())]
        for table in kinds:
            self._send_tail(table, sent, progress)
        self._renew_runs()
        names = [table.name for table in kinds]
        self._session.execute(_ALL_SENT, (self._source, names))

    def _send_tail(
        self, table: CentralTable, sent: Counts, progress: Told | None
    ) -> None:
        limit = _BATCH if table.name in BULK else _SMALL_BATCH
        while True:
            mark = self._marks[table.name]
            rows = self._reader.rows_after(table.name, mark, limit)
            if not rows:
                return
            if self._send_what_fits(table, rows, mark):
                sent[table.name] = sent.get(table.name, 0) + len(rows)
                if progress is not None:
                    progress(table.name, sent[table.name])
            if len(rows) < limit:
                return

    def _send_what_fits(self, table: CentralTable, rows: list[Row], mark: int) -> bool:
        """Send a batch; where its values are refused, without rows that misfit."""
        try:
            return self._send_batch(table, rows, mark)
        except _unfit():
            with self._only_fitting():
                return self._send_batch(table, rows, mark)

    @contextmanager
    def _only_fitting(self) -> Iterator[None]:
        """Shape anew, and leave out what does not fit."""
        self._shaping = Shaping(self._reader, self._source, only_fitting=True)
        self._staged.clear()  # a table that was made with the batch is gone with it
        try:
            yield
        finally:
            self._shaping.only_fitting = False

    def _send_batch(self, table: CentralTable, rows: list[Row], mark: int) -> bool:
        """Send a batch in one transaction; False where somebody else was first."""
        runs = {row[1] for row in rows if row[1] is not None}
        new_runs = runs - self._there
        self._keep_months(table, runs)
        up_to = rows[-1][0]
        with self._session.transaction():
            held = self._session.execute(_HELD, (self._source, table.name)).fetchone()
            if held is None or held[0] != mark:
                self._marks = marks_of(self._session, self._address, self._reader)
                self._shaping = Shaping(self._reader, self._source)
                return False
            _refuse_another(self._address, self._reader, (table.name, *held))
            self._bring_runs(new_runs)
            if table is not RUNS:
                self._bring(table, self._shaping.shaped(table, rows))
            digest = self._reader.row_digest(table.name, up_to)
            self._session.execute(_MOVE, (up_to, digest, self._source, table.name))
        self._marks[table.name] = up_to
        if len(self._there) > _MOST_RUNS:
            self._there.clear()
        self._there |= new_runs
        self._fresh |= new_runs
        self._touched |= runs - self._fresh
        return True

    def _keep_months(self, table: CentralTable, runs: Iterable[int]) -> None:
        """Have partitions over there for the months of these runs."""
        if not table.by_month:
            return
        months = {one.month for one in self._shaping.named(runs).values()}
        for month in months - self._months:
            self._session.execute("select keep_month(%s)", (month,))
            self._months.add(month)

    def _bring_runs(self, runs: Iterable[int]) -> None:
        rows = self._shaping.runs(runs)
        if rows:
            self._stage(RUNS, rows)
            self._session.execute(_UPSERT_RUNS)

    def _bring(self, table: CentralTable, rows: list[Row]) -> None:
        """Bring rows that are not there; one that is there must be the same."""
        if not rows or (table.by_month and self._bring_new(table, rows)):
            return
        self._stage(table, rows)
        brought = self._session.execute(_insert(table)).rowcount
        if brought < len(rows) and table.numbered:
            other = self._session.execute(_differing(table)).fetchone()
            if other is not None:
                raise ForwardError(
                    f"{self._address.shown} has another row {other[1]} in {table.name} "
                    f"of the run {other[0]}: two copies of this run went on apart. "
                    "Look at both; nothing of this batch was sent"
                )

    def _bring_new(self, table: CentralTable, rows: list[Row]) -> bool:
        """Bring rows of which none is there, as nearly always; False where one is.

        That costs the server half of what it costs to look at each.
        """
        try:
            with self._session.transaction():
                self._copy(table, table.name, rows)
        except driver().errors.UniqueViolation:
            return False
        return True

    def _stage(self, table: CentralTable, rows: list[Row]) -> None:
        name = f"staged_{table.name}"
        if table.name not in self._staged:
            self._session.execute(
                f"create temp table if not exists {name} on commit delete rows as"  # noqa: S608 - our own names
                f" select {_list(table.sent)} from {table.name} with no data"
            )
            self._staged.add(table.name)
        self._copy(table, name, rows)

    def _copy(self, table: CentralTable, into: str, rows: list[Row]) -> None:
        with self._session.cursor() as cursor:
            sql = f"copy {into} ({_list(table.sent)}) from stdin"
            with cursor.copy(sql) as copy:
                for row in rows:
                    copy.write_row(row)

    def _send_mutable(self, sent: Counts) -> None:
        """Send parts and lots, which change in place: all of them, once one has."""
        parts, lots = self._shaping.parts(), self._shaping.lots()
        told = repr((parts, lots)).encode("utf-8", "backslashreplace")
        mark = hashlib.sha256(told).hexdigest()
        if mark == self._mutable:
            return
        with self._session.transaction():
            for table, rows in ((PARTS, parts), (LOTS, lots)):
                if rows:
                    self._stage(table, rows)
                    changed = self._session.execute(_upsert(table)).rowcount
                    sent[table.name] = sent.get(table.name, 0) + changed
        self._mutable = mark

    def _renew_runs(self) -> None:
        """Tell of runs that have ended, or were touched, how they are now."""
        found = self._session.execute(_OPEN, (self._source,)).fetchall()
        ended = self._reader.ended_of(run for (run,) in found)
        wanted = sorted({*ended, *self._touched})
        for first in range(0, len(wanted), _SMALL_BATCH):
            batch = wanted[first : first + _SMALL_BATCH]
            try:
                with self._session.transaction():
                    self._bring_runs(batch)
            except _unfit():
                with self._only_fitting(), self._session.transaction():
                    self._bring_runs(batch)
        self._touched.clear()
        self._fresh.clear()


def _unfit() -> tuple[type[Exception], ...]:
    """Return the errors of a server that does not take a value."""
    errors = driver().errors
    return (driver().DataError, errors.NotNullViolation)


def _list(names: Iterable[str]) -> str:
    return ", ".join(f'"{name}"' for name in names)


def _insert(table: CentralTable) -> str:
    names = _list(table.sent)
    order = ' order by "row"' if "row" in table.columns else ""
    distinct = " distinct" if table is DEVICES else ""
    return (
        f"insert into {table.name} ({names}) select{distinct} {names}"
        f" from staged_{table.name}{order} on conflict do nothing"
    )


def _differing(table: CentralTable) -> str:
    """Return the query for a staged row that is another one there."""
    rest = [name for name in table.sent if name not in table.key]
    key = " and ".join(f't."{name}" = s."{name}"' for name in table.key)
    ours = ", ".join(f's."{name}"' for name in rest)
    theirs = ", ".join(f't."{name}"' for name in rest)
    return (
        f'select s."{table.key[0]}", s."{table.key[1]}" from staged_{table.name} s'  # noqa: S608
        f" join {table.name} t on {key}"
        f" where ({ours}) is distinct from ({theirs}) limit 1"
    )


def _upsert(table: CentralTable) -> str:
    names, key = _list(table.sent), _list(table.key)
    rest = [name for name in table.sent if name not in table.key]
    given = ", ".join(f'excluded."{name}"' for name in rest)
    there = ", ".join(f'{table.name}."{name}"' for name in rest)
    return (
        f"insert into {table.name} ({names}) select {names} from staged_{table.name}"  # noqa: S608
        f" on conflict ({key}) do update set ({_list(rest)}) = row({given})"
        f" where ({there}) is distinct from ({given})"
    )


_UPSERT_RUNS: Final = (
    f"{_upsert(RUNS)} and (runs.source = excluded.source or excluded.ended_utc_ns"
    " is not null and (runs.ended_utc_ns is null"
    " or excluded.ended_utc_ns > runs.ended_utc_ns))"
)
"""A copy tells of a run only what is later than what its own database told."""
