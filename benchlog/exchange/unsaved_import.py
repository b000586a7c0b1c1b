"""Bringing rows that were saved from a full disk back into their runs."""

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import Final

from benchlog.errors import DataError, NotFoundError, UnreadableRunError, UsageError
from benchlog.exchange.file_limits import USUAL, FileLimits
from benchlog.exchange.import_file import verdict_by_all
from benchlog.exchange.text_lines import numbered_lines
from benchlog.keepers import state_of
from benchlog.model import Edge, Event, EventKind, Reading
from benchlog.store.parameters import problem_of
from benchlog.store.reader import Reader
from benchlog.store.rows import Row
from benchlog.store.unsaved_rows import (
    UnsavedHead,
    files_of,
    head_from,
    rows_in,
    rows_of_file,
)
from benchlog.store.writer import Writer
from benchlog.units import printable

_AT_ONCE: Final = 5_000  # our rule: rows of a megabyte or so


@dataclass(frozen=True, slots=True, kw_only=True)
class BroughtBack:
    """What came back into one run; `there` rows had been in it already.

    `others` are events and conditions, `rejected` counts what is no row in the whole
    file.
    """

    run: int
    readings: int
    edges: int
    others: int
    there: int
    rejected: int


_TROUBLE: Final = (EventKind.STORE_WAIT, EventKind.STORE_DAMAGED)
"""What the keeper of a run noted where rows of it are in a file."""


def bring_back(
    path: Path,
    writer: Writer,
    limits: FileLimits = USUAL,
    *,
    again: bool = False,
    left_out: Callable[[UnreadableRunError], object] = lambda _: None,
) -> tuple[BroughtBack, ...]:
    """Insert the rows of a file into their runs, each of them once; a note tells of it.

    `left_out` is told of each run that cannot be read: its rows stay in the file, and
    hold up no other's. UnreadableRunError is raised where it is so with all of them.

    All of them are inserted, or none; a row that can never be stored is left out and
    counted. The file is read twice, as a stream. A run whose end is among them is over
    then; one that is over is judged by all its rows. Raises DataError when the file
    belongs to another database, holds nothing or goes beyond a limit, UsageError when
    a run is still being kept, StoreError. The file could be anybody's: a run that ended
    without trouble lacks no rows and takes none, unless `again`: DataError.
    """
    found = _looked_through(path, writer.path, limits, again=again)
    if found.left and not found.rows:
        raise next(iter(found.left.values()))
    for error in found.left.values():
        left_out(error)
    if not found.rows:
        raise DataError(f"{path} holds no rows")
    added: Counter[tuple[int, type]] = Counter()
    last: dict[int, Row] = {}

    def stored(rows: Sequence[Row]) -> None:
        added.update((run, type(record)) for run, _, record in rows)
        last.update({row[0]: row for row in rows})

    writer.commit_all_missing(_batches(path, limits, found), stored)
    writer.commit([_note(path, row, added) for row in last.values()])
    for run_id in found.rows:
        _conclude(run_id, found.ends.get(run_id), writer)
    return tuple(_of_run(run_id, found, added) for run_id in sorted(found.rows))


def earlier_file(path: Path, database: Path) -> Path | None:
    """Return a file whose rows belong before those of `path`, and are not in yet.

    Readings stay in the order in which they come in. Raises StoreError.
    """
    first = _first_places(path)
    for other in files_of(database):
        if other.absolute() == path.absolute():
            continue
        theirs = _first_places(other)
        shared = first.keys() & theirs.keys()
        if any(theirs[run] < first[run] for run in shared) and lacks(database, other):
            return other
    return None


def lacks(database: Path, path: Path) -> bool:
    """Whether a database lacks a row of a file. Raises StoreError."""
    good = (r for r in rows_of_file(path) if not problem_of(r[2]))
    with closing(Reader.open(database)) as reader:
        while batch := tuple(islice(good, _AT_ONCE)):
            if reader.missing(batch):
                return True
    return False


def _first_places(path: Path) -> dict[int, tuple[int, int]]:
    """Return by run the segment of its first reading in a file, and when it was."""
    found: dict[int, tuple[int, int]] = {}
    for run, segment, record in rows_of_file(path):
        if isinstance(record, Reading | Edge):
            found.setdefault(run, (segment, record.mono_ns))
    return found


@dataclass(slots=True)
class _Found:
    """What a file holds: rows that can be stored by run, and how each of them ended.

    `rejected` counts lines that are no rows, and rows that can never be stored; `left`
    has the runs that cannot be read.
    """

    rows: Counter[int] = field(default_factory=Counter)
    ends: dict[int, Event] = field(default_factory=dict)
    rejected: int = 0
    left: dict[int, UnreadableRunError] = field(default_factory=dict)


def _looked_through(
    path: Path, database: Path, limits: FileLimits, *, again: bool
) -> _Found:
    """Return what a file holds. Raises as `bring_back` for rows of another database."""
    found = _Found()
    head, rows = _opened(path, limits)
    with closing(Reader.open(database)) as reader:
        segments: dict[int, frozenset[int]] = {}
        for row in rows:
            if row is None:
                found.rejected += 1
                continue
            run_id, segment_id, record = row
            if run_id in found.left:
                continue
            if run_id not in segments:
                try:
                    known = _segments_of(reader, path, run_id, head, again=again)
                except UnreadableRunError as error:
                    found.left[run_id] = error
                    continue
                segments[run_id] = known
                found.rows[run_id] += 0
            if segment_id and segment_id not in segments[run_id]:
                raise _elsewhere(path, run_id, head)
            if isinstance(record, Event) and record.kind == EventKind.ENDED:
                found.ends.setdefault(run_id, record)
            is_good = not problem_of(record)
            found.rows[run_id] += is_good
            found.rejected += not is_good
    return found


def _opened(path: Path, limits: FileLimits) -> tuple[UnsavedHead, Iterator[Row | None]]:
    lines = (line for _, line in numbered_lines(path, limits=limits))
    head = head_from(path, next(lines, ""))
    return head, rows_in(lines)


def _batches(path: Path, limits: FileLimits, found: _Found) -> Iterator[Sequence[Row]]:
    """Yield the rows that can be stored, of the runs that were looked at."""
    _, rows = _opened(path, limits)
    good = (r for r in rows if r and r[0] in found.rows and not problem_of(r[2]))
    while batch := tuple(islice(good, _AT_ONCE)):
        yield batch


def _conclude(run_id: int, ended: Event | None, writer: Writer) -> None:
    """End a run as its keeper would have, had there been room; judge it by all rows.

    One that was over without them had a verdict of those that it had.
    """
    with closing(Reader.open(writer.path)) as reader:
        run = reader.run(run_id)
        if run.open and ended is not None:
            how = ended.text.partition("; ")[0]
            writer.end_run(run_id, how, at_utc_ns=ended.utc_ns)
            run = reader.run(run_id)
        is_judged = run.verdict is not None and run.told_readings == run.readings
        row = None if run.open or is_judged else verdict_by_all(reader, run)
    if row is not None:
        writer.add_verdict(run_id, row)


def _note(path: Path, last: Row, added: Counter[tuple[int, type]]) -> Row:
    """Return what tells in a run what came into it, at the time of the last row."""
    run_id, segment, record = last
    count = sum(number for (run, _), number in added.items() if run == run_id)
    text = f"rows brought back from {path.name}: {count}"
    utc_ns = record.mono_ns if record.utc_ns is None else record.utc_ns
    note = Event(utc_ns, record.mono_ns, EventKind.NOTE, printable(text))
    return run_id, segment, note


def _lacks_nothing(reader: Reader, run_id: int) -> bool:
    """Whether nothing tells of rows of a run that were not written.

    A keeper ends a run once its rows are in.
    """
    return all(event.kind not in _TROUBLE for _, event in reader.events(run_id))


def _segments_of(
    reader: Reader, path: Path, run_id: int, head: UnsavedHead, *, again: bool
) -> frozenset[int]:
    """Return the segments of a run that rows may go back into."""
    try:
        run = reader.run(run_id)
    except NotFoundError as error:
        raise _elsewhere(path, run_id, head) from error
    known = head.runs.get(run_id)
    # the keeper could not read whose they are: the numbers are of that file alone
    is_here = head.database == str(reader.path.absolute())
    if known is None and not (again or is_here):
        raise _elsewhere(path, run_id, head)
    if known not in (None, (run.typed_device or run.device, run.started_utc_ns)):
        raise _elsewhere(path, run_id, head)
    if state_of(run, reader.path) == "running":
        raise UsageError(
            f"run {run_id} is still being kept; bring the rows in after its end"
        )
    if not again and not run.open and _lacks_nothing(reader, run_id):
        raise DataError(
            f"run {run_id} ended without trouble and lacks no rows; if a keeper of "
            f"yours has written {path}, bring them in with --again"
        )
    return frozenset(one.id for one in reader.segments(run_id))


def _elsewhere(path: Path, run_id: int, head: UnsavedHead) -> DataError:
    return DataError(
        f"{path} has rows of run {run_id} of {printable(head.database)}, which is "
        "not in this database; name the right one with --db"
    )


def _of_run(
    run_id: int, found: _Found, added: Counter[tuple[int, type]]
) -> BroughtBack:
    kinds = {kind: count for (run, kind), count in added.items() if run == run_id}
    total, readings, edges = (
        sum(kinds.values()),
        kinds.get(Reading, 0),
        kinds.get(Edge, 0),
    )
    return BroughtBack(
        run=run_id,
        readings=readings,
        edges=edges,
        others=total - readings - edges,
        there=found.rows[run_id] - total,
        rejected=found.rejected,
    )
