"""What an import puts into the database: batches of rows, counted and bounded."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Final, TypeVar

from benchlog.clock import Clock, host_deadline, host_sleep
from benchlog.errors import StoreLockedError, StoreRefusedError
from benchlog.exchange.text.text_rows import LineProblem
from benchlog.model import (
    Edge,
    Event,
    EventKind,
    Identity,
    Reading,
    ReferenceCheck,
    RunPlan,
    Timebase,
)
from benchlog.store.derived.packed import BLOCK
from benchlog.store.reader import Reader
from benchlog.store.reading_block import ReadingBlock
from benchlog.store.rows import Amendment, Row, Segment, VerdictRow
from benchlog.store.writer import Writer

_T = TypeVar("_T")
_BATCH: Final = 10_000
_KEPT: Final = 1_000
"""Damaged lines beyond these are counted, not kept one by one."""
_PATIENCE_S: Final = 30.0
_RETRY_S: Final = 0.05
_UNSTORABLE: Final = (AttributeError, OverflowError, TypeError, ValueError)
"""What a value of another kind than its column ends in."""


def patiently(write: Callable[[], _T]) -> _T:
    """Return what `write` returns; waits up to 30 s while another program writes."""
    deadline = host_deadline(_PATIENCE_S)
    while True:
        try:
            return write()
        except StoreLockedError:
            if deadline.passed:
                raise
            host_sleep(_RETRY_S)


class ImportedRun:
    """Rows of one run on their way in, and the lines that gave none.

    They go into a staging database; `known_in` is the one that they are meant for.
    `altered`: the file is an export that was changed after it was written; `intact`:
    it has a check sum, and that fits.
    """

    def __init__(self, writer: Writer, clock: Clock, known_in: Path) -> None:
        self._writer, self._known_in = writer, known_in
        self._clock = clock
        self._rows: list[Row] = []
        self._held: tuple[int, int, ReadingBlock] | None = None
        self._stored = 0
        self.readings = 0
        self.rejected = 0
        self.edges = 0
        self.altered = self.intact = False
        self.problems: list[LineProblem] = []

    @contextmanager
    def run(
        self,
        plan: RunPlan,
        identities: Mapping[str, Identity],
        timebase: Timebase,
        *,
        origin: Mapping[str, object],
        resolution_hz: float | None = None,
    ) -> Iterator[int]:
        """Begin a run and end it; after an error it stays open, and is dropped."""
        run_id = self._writer.begin_run(
            plan, identities, timebase, resolution_hz=resolution_hz, origin=origin
        )
        yield run_id
        self.flush()
        self._writer.end_run(run_id, "file read")

    def same_run(self, header: Mapping[str, object]) -> int | None:
        """Return the run here that an export with this head came from, or a copy."""
        with closing(Reader.open(self._known_in)) as reader:
            return reader.same_run(header)

    def identify(self, run_id: int, uid: str) -> None:
        """Give the run the UUID of the run that it is a copy of."""
        self._writer.identify_run(run_id, uid)

    def segment(self, run_id: int, like: Segment | None = None) -> int:
        """Begin a segment of the run."""
        return self._writer.begin_segment(run_id, like)

    def note(self, run_id: int, segment_id: int, text: str) -> None:
        """Say something of the import in the run itself."""
        self.add_row((run_id, segment_id, self.event(EventKind.NOTE, text)))

    def conclude(
        self, run_id: int, concluded: Sequence[VerdictRow | Amendment | ReferenceCheck]
    ) -> None:
        """Store verdicts that the run had, what was said of it, the check it made."""
        for one in concluded:
            try:
                self._store(run_id, one)
            except (StoreRefusedError, *_UNSTORABLE) as error:
                self.reject(LineProblem(0, "", str(error)))

    def _store(self, run_id: int, one: VerdictRow | Amendment | ReferenceCheck) -> None:
        if isinstance(one, Amendment):
            self._writer.amend(run_id, one)
        elif isinstance(one, ReferenceCheck):
            self._writer.add_reference_check(replace(one, run_id=run_id))
        else:
            self._writer.add_verdict(run_id, one)

    def add_row(self, row: Row) -> None:
        """Add a row; commits when enough have come together."""
        self._store_held()
        self._rows.append(row)
        self.readings += isinstance(row[2], Reading)
        self.edges += isinstance(row[2], Edge)
        if len(self._rows) >= _BATCH:
            self.flush()

    def add_block(self, run_id: int, segment_id: int, block: ReadingBlock) -> None:
        """Add readings that follow one another, of the same gate as those before.

        What is derived of them is made of arrays where whole blocks of it are
        committed: the rest is held until the next come.
        """
        self._store_rows()  # those before have the lower ids
        self.readings += len(block)
        if self._held is not None:
            block, self._held = self._held[2].followed_by(block), None
        whole = len(block) - (self._stored + len(block)) % BLOCK
        if whole > 0:
            self._store_block(run_id, segment_id, block.part(0, whole))
        self._held = run_id, segment_id, block.part(max(whole, 0), len(block))

    def _store_held(self) -> None:
        held, self._held = self._held, None
        if held is not None and len(held[2]):
            self._store_block(*held)

    def _store_block(self, run_id: int, segment_id: int, block: ReadingBlock) -> None:
        self._stored += len(block)
        try:
            self._writer.commit_block(run_id, segment_id, block)
        except (StoreRefusedError, *_UNSTORABLE):
            self._one_by_one([(run_id, segment_id, one) for one in block.readings()])

    def reject(self, found: LineProblem) -> None:
        """Count a line that gave nothing, and keep it while they are few."""
        self.rejected += 1
        if len(self.problems) < _KEPT:
            self.problems.append(found)

    def note_problems(self, run_id: int, segment_id: int) -> None:
        """Store the problems as events of the run, like all that was refused."""
        for found in self.problems:
            event = self.event(EventKind.REJECTED, str(found), found.raw)
            self.add_row((run_id, segment_id, event))
        unkept = self.rejected - len(self.problems)
        if unkept:
            text = f"{unkept} more lines were not understood"
            self.add_row((run_id, segment_id, self.event(EventKind.REJECTED, text)))

    def event(self, kind: str, text: str, raw: bytes | None = None) -> Event:
        """Return an event of now."""
        utc_ns, mono_ns = self._clock.utc_ns(), self._clock.mono_ns()
        return Event(utc_ns, mono_ns, kind, text, raw=raw)

    def flush(self) -> None:
        """Commit what has come together."""
        self._store_rows()
        self._store_held()

    def _store_rows(self) -> None:
        rows, self._rows = self._rows, []
        self._stored += sum(isinstance(row[2], Reading) for row in rows)
        if not rows:
            return
        try:
            self._writer.commit(rows)
        except (StoreRefusedError, *_UNSTORABLE):
            self._one_by_one(rows)

    def _one_by_one(self, rows: Sequence[Row]) -> None:
        """Commit rows alone, so that one that can never be stored stops no other."""
        for row in rows:
            try:
                self._writer.commit([row])
            except (StoreRefusedError, *_UNSTORABLE) as error:
                self.readings -= isinstance(row[2], Reading)
                self.edges -= isinstance(row[2], Edge)
                self.reject(LineProblem(0, "", str(error)))
