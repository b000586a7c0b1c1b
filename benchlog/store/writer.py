"""The one way into the database: one transaction at a time, all of it or nothing."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Final, Self

from benchlog.clock import Clock
from benchlog.errors import StoreDamagedError, StoreRefusedError
from benchlog.model import (
    Identity,
    Lot,
    Part,
    Reading,
    ReferenceCheck,
    RunPlan,
    Timebase,
)
from benchlog.store import files, lots, sqlite
from benchlog.store import merge as merging
from benchlog.store import run_rows as conclude
from benchlog.store.backup import at_newest_schema, place_for, rescued
from benchlog.store.derived.outline import Blocks
from benchlog.store.identity import MERGED
from benchlog.store.integrity import quarantine
from benchlog.store.merge_nouns import merge_nouns
from benchlog.store.missing_rows import missing_rows
from benchlog.store.parameters import (
    by_kind,
    insert_rows,
    refuse_first_bad,
    text,
)
from benchlog.store.reader import Reader
from benchlog.store.reading_block import ReadingBlock
from benchlog.store.rows import Amendment, Row, Segment, VerdictRow
from benchlog.store.run_rows import Beginning, insert_run
from benchlog.store.session import Session
from benchlog.store.sqlite import SqliteError
from benchlog.store.staged_blocks import store_block
from benchlog.units import printable

_UNSTORABLE: Final = (OverflowError, UnicodeEncodeError, TypeError, AttributeError)
"""What a value of another kind than its column ends in."""


class Writer:
    """A read-write connection to the database, for the thread that opened it.

    Every method is one transaction: durable when it returns, undone when it raises.
    After an error the writer stays usable, and what was to be written is still the
    caller's: wait and try again (StoreFullError, StoreLockedError), or give up on the
    row (StoreRefusedError). A busy database is waited for 0.2 s, no longer.
    """

    def __init__(self, session: Session, clock: Clock) -> None:
        self.path = session.path
        self._session = session
        self._clock = clock
        self._connection = session.connection
        self._blocks = Blocks(session.connection)

    @classmethod
    def open_staging(cls, path: Path, clock: Clock) -> Self:
        """Open a database that no power cut need spare: it is dropped after an error.

        Raises StoreError.
        """
        writer = cls.open(path, clock, guarded=False)
        writer._session.let_pass()
        return writer

    @classmethod
    def open(cls, path: Path, clock: Clock, *, guarded: bool | None = None) -> Self:
        """Open the database for writing; make it, and its folder, when missing.

        `guarded`: hold a file lock beside the database for each commit; None means:
        if this SQLite needs it. Raises StoreError (read-only, not a database, from a
        newer version, ...), StoreLockedError when another program blocks it for 5 s.
        """
        needs_guard = not sqlite.FIXED if guarded is None else guarded
        return cls(Session.open(path, guarded=needs_guard), clock)

    def begin_run(
        self,
        plan: RunPlan,
        identities: Mapping[str, Identity],
        timebase: Timebase,
        *,
        control: str = "",
        resolution_hz: float | None = None,
        origin: Mapping[str, object] | None = None,
    ) -> int:
        """Begin a run with all it refers to and its frozen snapshot; return its id.

        `origin` is where an imported run came from. Raises StoreRefusedError when a
        device id or another text is no UTF-8, StoreDamagedError for odd row numbers.
        """
        beginning = Beginning(
            plan=plan,
            identities=identities,
            timebase=timebase,
            control=control,
            resolution_hz=resolution_hz,
            origin=origin,
        )
        with self._session.transaction():
            return insert_run(self._connection, beginning, self._clock.utc_ns())

    def begin_segment(self, run_id: int, like: Segment | None = None) -> int:
        """Begin a stretch of a run on this host's monotonic clock; return its id.

        `like`: the segment of an exported run, whose times and boot are kept.
        """
        values = (
            (self._clock.utc_ns(), self._clock.mono_ns(), files.boot_id())
            if like is None
            else (like.began_utc_ns, like.began_mono_ns, text("boot id", like.boot_id))
        )
        return self._write(
            "insert into segments (run_id, began_utc_ns, began_mono_ns, boot_id)"
            " values (?, ?, ?, ?)",
            (run_id, *values),
        )

    def commit(self, rows: Sequence[Row]) -> None:
        """Store rows in one transaction; durable when it returns.

        Raises StoreRefusedError naming the first row that cannot be stored,
        StoreFullError, StoreLockedError, StoreError; then nothing was stored.
        """
        if not rows:
            return
        groups = by_kind(rows)
        with self._session.transaction():
            try:
                self._insert(groups)
            except (SqliteError, *_UNSTORABLE):
                refuse_first_bad(rows)
                raise
        self._blocks.keep()

    def commit_block(self, run_id: int, segment_id: int, block: ReadingBlock) -> None:
        """Store readings that follow one another, in one transaction.

        Raises as `commit` does; a reading that cannot be stored is not named.
        """
        with self._session.transaction():
            store_block(self._session, self._blocks, (run_id, segment_id), block)
        self._blocks.keep()

    def commit_missing(self, rows: Sequence[Row]) -> tuple[Row, ...]:
        """Store and return those of `rows` that are not there yet. Raises as `commit`.

        All of it is one transaction: told twice, a row is there once.
        """
        stored: list[Row] = []
        self.commit_all_missing([rows], stored.extend)
        return tuple(stored)

    def commit_all_missing(
        self, batches: Iterable[Sequence[Row]], tell: Callable[[tuple[Row, ...]], None]
    ) -> None:
        """As `commit_missing` of all batches; `tell` is given what each had to store.

        What `batches` raise undoes all.
        """
        with self._session.transaction():
            for rows in batches:
                fresh = missing_rows(self._connection, by_kind(rows))
                try:
                    self._insert(by_kind(fresh))
                except (SqliteError, *_UNSTORABLE):
                    refuse_first_bad(fresh)
                    raise
                tell(fresh)
        self._blocks.keep()

    def identify_run(self, run_id: int, uid: str) -> None:
        """Give an open run the UUID of the run that it is a copy of.

        Raises StoreRefusedError when another run here has it.
        """
        self._write("update runs set uid = ? where id = ?", (uid, run_id))

    def set_resolution(self, run_id: int, resolution_hz: float | None) -> None:
        """Note what one unit of the counter's last digit is worth."""
        self._write(
            "update runs set resolution_hz = ? where id = ?", (resolution_hz, run_id)
        )

    def end_run(self, run_id: int, how: str, *, at_utc_ns: int | None = None) -> None:
        """Close a run: when (None: now), and why (`stopped`, `verdict clear`, ...)."""
        when_ns = self._clock.utc_ns() if at_utc_ns is None else at_utc_ns
        self._write(
            "update runs set ended_utc_ns = ?, ended_how = ? where id = ?",
            (when_ns, text("reason", how), run_id),
        )

    def resume_run(self, run_id: int, *, control: str = "") -> None:
        """Open a run again; a new segment must follow. Raises as `begin_run` does."""
        with self._session.transaction():
            conclude.reopen_run(self._connection, run_id, control)

    def add_verdict(self, run_id: int, row: VerdictRow) -> int:
        """Add a verdict to those of a run; the newest counts. Returns its id."""
        with self._session.transaction():
            now = self._clock.utc_ns()
            return conclude.insert_verdict(self._connection, run_id, row, now)

    def amend(
        self, run_id: int, *rows: Amendment, judged: VerdictRow | None = None
    ) -> None:
        """Say of a run what it is, how it is judged: all, or StoreRefusedError."""
        with self._session.transaction():
            now = self._clock.utc_ns()
            for row in rows:
                conclude.insert_amendment(self._connection, run_id, row, now)
            if judged is not None:
                conclude.insert_verdict(self._connection, run_id, judged, now)

    def add_reference_check(self, check: ReferenceCheck) -> int:
        """Add what was found of an instrument's time base; return its id."""
        with self._session.transaction():
            now = self._clock.utc_ns()
            return conclude.insert_reference_check(self._connection, check, now)

    def open_lot(self, lot: Lot, part: Part) -> None:
        """Insert a lot with its plan. Raises StoreRefusedError when it has one."""
        with self._session.transaction():
            lots.open_lot(self._connection, lot, part, self._clock.utc_ns())

    def know_lot(self, lot: str, part: Part) -> None:
        """Insert a lot's name without a plan, where it is not known yet."""
        with self._session.transaction():
            lots.know(self._connection, lot, part, self._clock.utc_ns())

    def decide_lot(self, part_id: str, lot: str, decision: str) -> None:
        """Note how a lot stands by now."""
        with self._session.transaction():
            lots.decide(self._connection, part_id, lot, decision)

    def merge(self, other: Path) -> merging.Merged:
        """Bring in the runs of another database, each in a transaction of its own.

        What is here already stays as it is, and what cannot be read stays there.
        Raises StoreError; what was brought in until then stays.
        """
        note = (self._clock.utc_ns(), f"{MERGED}{printable(other.name)},")
        merged = merging.Merged()
        with (
            at_newest_schema(other) as path,
            Reader.open(path) as there,
            self._session.beside(lambda c: merging.attach(c, path)),
        ):
            with self._session.transaction():
                plans = merge_nouns(self._connection, there, merged.left_out)
                merged.other_plans = plans
            for run in merging.runs_there(self._connection):
                self._merge_run(there, run, merged, note)
            with self._session.transaction():
                merging.merge_checks(self._connection, there, merged)
        return merged

    def bring_import(self, staging: Path) -> int:
        """Bring in the run of a staging database, in one transaction; return its id.

        Raises DataError when it could not be read afterwards, StoreError.
        """
        with (
            Reader.open(staging) as there,
            self._session.beside(lambda c: merging.attach(c, staging)),
            self._session.referring_unseen(),
            self._session.transaction(),
        ):
            return merging.bring_import(self._connection, there)

    def _merge_run(
        self,
        there: Reader,
        run: tuple[int, int, int | None, bool],
        merged: merging.Merged,
        note: tuple[int, str],
    ) -> None:
        """Bring in a run, or note why it stays there."""
        try:
            with self._session.transaction():
                why = "" if run[3] else merging.why_not(self._connection, there, run[0])
                if not why:
                    merging.merge_run(self._connection, run, merged, note)
        except (StoreRefusedError, StoreDamagedError) as error:
            why = str(error)
        if why:
            merged.brought.pop(run[0], None)
            merged.left_out[f"run {run[0]}"] = why

    def put_aside(self, record: quarantine.Record, reason: str, software: str) -> bool:
        """Put a record into quarantine: every list leaves it out, every byte stays.

        `software` is the version that does it. Returns whether it was not there before.
        Raises NotFoundError.
        """
        now = (self._clock.utc_ns(), software)
        with self._session.transaction():
            return quarantine.put_in(self._connection, record, reason, now)

    def release(self, record: quarantine.Record, reason: str, software: str) -> None:
        """Let a record out of quarantine again. Raises UsageError where it is not."""
        now = (self._clock.utc_ns(), software)
        with self._session.transaction():
            quarantine.release(self._connection, record, reason, now)

    def rebuild_outline(self, run_id: int) -> None:
        """Make the outline of a run anew from its readings."""
        with self._session.transaction():
            self._blocks.rebuild(run_id)
        self._blocks.keep()

    def still_there(self) -> bool:
        """Whether the path still leads to the file and the log that were opened."""
        return self._session.still_there()

    def rescue(self) -> Path:
        """Bring back a database whose file was removed or replaced; go on in it.

        The open connection still sees everything. It is copied to where the file was
        or, when something else stands there now, beside it. Returns the new path.
        Raises StoreError when that cannot be written.
        """
        to = place_for(self.path, self._clock.utc_ns())
        self._session = rescued(self._session, to)
        self.path, self._connection = to, self._session.connection
        self._blocks = Blocks(self._connection)
        return to

    def leave_log(self) -> None:
        """Move the log into the database no more: it was overwritten."""
        self._session.leave_log()

    def checkpoint(self) -> None:
        """Move the log into the database, as far as readers let. Raises StoreError."""
        self._session.checkpoint()

    def close(self) -> None:
        """Let go of the database; what was committed stays. May be called twice."""
        self._session.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _insert(self, groups: Mapping[type, Sequence[Row]]) -> None:
        insert_rows(self._connection, groups)
        self._blocks.grow(groups.get(Reading, ()))

    def _write(self, sql: str, values: tuple[object, ...]) -> int:
        with self._session.transaction():
            return int(self._connection.execute(sql, values).lastrowid or 0)
