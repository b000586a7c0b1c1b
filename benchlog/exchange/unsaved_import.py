"""Bringing rows that were saved from a full disk back into their runs."""

from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from benchlog.errors import DataError, NotFoundError, UsageError
from benchlog.evaluation.document import verdict_row
from benchlog.evaluation.run_evaluation import Evaluation, assess
from benchlog.exchange.import_file import RULE
from benchlog.keepers import state_of
from benchlog.model import Edge, Event, EventKind, Reading
from benchlog.store.parameters import problem_of
from benchlog.store.reader import Reader
from benchlog.store.rows import Row
from benchlog.store.unsaved_rows import UnsavedRows, read_rows
from benchlog.store.writer import Writer
from benchlog.units import printable


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
    path: Path, writer: Writer, *, again: bool = False
) -> tuple[BroughtBack, ...]:
    """Insert the rows of a file into their runs, each of them once; a note tells of it.

    All of them are inserted, or none; a row that can never be stored is left out and
    counted. A run whose end is among them is over then, and judged. Raises
    DataError when the file belongs to another database or holds nothing, UsageError
    when a run is still being kept, StoreError. The file could be anybody's: a run that
    ended without trouble lacks no rows and takes none, unless `again`: DataError.
    """
    unsaved = read_rows(path)
    if not unsaved.rows:
        raise DataError(f"{path} holds no rows")
    _check(path, unsaved, writer.path, again=again)
    good = tuple(row for row in unsaved.rows if not problem_of(row[2]))
    added = writer.commit_missing(good)
    writer.commit(list(_notes(path, added)))
    for run_id, _, record in unsaved.rows:
        if isinstance(record, Event) and record.kind == EventKind.ENDED:
            _end(run_id, record, writer)
    return tuple(
        _of_run(run_id, unsaved, good, added)
        for run_id in sorted({row[0] for row in unsaved.rows})
    )


def _end(run_id: int, ended: Event, writer: Writer) -> None:
    """End a run as its keeper would have, had there been room; with its verdict."""
    with closing(Reader.open(writer.path)) as reader:
        if not reader.run(run_id).open:
            return
        how = ended.text.partition("; ")[0]
        writer.end_run(run_id, how, at_utc_ns=ended.utc_ns)
        run = reader.run(run_id)
        found = Evaluation(run=run, assessment=assess(reader, run))
    writer.add_verdict(run_id, verdict_row(found, RULE))


def _notes(path: Path, added: Sequence[Row]) -> Iterator[Row]:
    """Yield for each run what came into it, at the time of the last row that did."""
    count = Counter(run_id for run_id, *_ in added)
    last = {run_id: (segment, record) for run_id, segment, record in added}
    for run_id, (segment, record) in last.items():
        text = f"rows brought back from {path.name}: {count[run_id]}"
        utc_ns = record.mono_ns if record.utc_ns is None else record.utc_ns
        yield (
            run_id,
            segment,
            Event(utc_ns, record.mono_ns, EventKind.NOTE, printable(text)),
        )


def _lacks_nothing(reader: Reader, run_id: int) -> bool:
    """Whether nothing tells of rows of a run that were not written.

    A keeper ends a run once its rows are in.
    """
    return all(event.kind not in _TROUBLE for _, event in reader.events(run_id))


def _check(path: Path, unsaved: UnsavedRows, database: Path, *, again: bool) -> None:
    with closing(Reader.open(database)) as reader:
        for run_id in sorted({row[0] for row in unsaved.rows}):
            try:
                run = reader.run(run_id)
            except NotFoundError as error:
                raise _elsewhere(path, run_id, unsaved) from error
            known = unsaved.runs.get(run_id)
            mine = (run.typed_device or run.device, run.started_utc_ns)
            segments = {one.id for one in reader.segments(run_id)}
            used = {row[1] for row in unsaved.rows if row[0] == run_id and row[1]}
            if known not in (None, mine) or not used <= segments:
                raise _elsewhere(path, run_id, unsaved)
            if state_of(run, database) == "running":
                raise UsageError(
                    f"run {run_id} is still being kept; bring the rows in after its end"
                )
            if not again and not run.open and _lacks_nothing(reader, run_id):
                raise DataError(
                    f"run {run_id} ended without trouble and lacks no rows; if a "
                    f"keeper of yours has written {path}, bring them in with --again"
                )


def _elsewhere(path: Path, run_id: int, unsaved: UnsavedRows) -> DataError:
    return DataError(
        f"{path} has rows of run {run_id} of {printable(unsaved.database)}, which is "
        "not in this database; name the right one with --db"
    )


def _of_run(
    run_id: int, unsaved: UnsavedRows, good: tuple[Row, ...], added: tuple[Row, ...]
) -> BroughtBack:
    kinds = Counter(type(record) for run, _, record in added if run == run_id)
    held = sum(run == run_id for run, *_ in good)
    return BroughtBack(
        run=run_id,
        readings=kinds[Reading],
        edges=kinds[Edge],
        others=kinds.total() - kinds[Reading] - kinds[Edge],
        there=held - kinds.total(),
        rejected=unsaved.damaged + len(unsaved.rows) - len(good),
    )
