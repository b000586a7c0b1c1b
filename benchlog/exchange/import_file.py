"""Bringing a file into the database as a run of its own, with purpose `import`."""

from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass, replace
from itertools import chain
from pathlib import Path
from typing import Final

import numpy as np

from benchlog.clock import Clock
from benchlog.errors import DataError, UnreadableRunError
from benchlog.evaluation.judged_alone import judged_alone
from benchlog.evaluation.rack.kept_verdict import kept_verdict
from benchlog.evaluation.rack.one_run import Racks
from benchlog.evaluation.run_evaluation import Evaluation, assess
from benchlog.exchange.import_options import ImportOptions
from benchlog.exchange.import_rows import ImportedRun, patiently
from benchlog.exchange.reimport.export_reader import is_own, read_own
from benchlog.exchange.reimport.import_export import import_own
from benchlog.exchange.reimport.parquet_reader import is_parquet, read_parquet
from benchlog.exchange.text.import_text import import_foreign
from benchlog.exchange.text.text_rows import LineProblem
from benchlog.exchange.text_lines import lines_of, numbered_blocks
from benchlog.model import Run
from benchlog.store.reader import Reader
from benchlog.store.rows import VerdictRow
from benchlog.store.snapshot_types import LARGEST
from benchlog.store.staging import staging_beside
from benchlog.store.writer import Writer
from benchlog.verdict import Assessment

RULE: Final = (
    "judged when imported: guarded acceptance (JCGM 106): pass if |offset| + U <= "
    "limit, fail if |offset| - U > limit, else undecided"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportResult:
    """What an import led to.

    `problems` are the first lines that gave nothing (`rejected` counts all of them);
    `notes` say in words how the file was understood and what was assumed; `edges` are
    stamps of pulses.
    """

    run: int
    readings: int
    rejected: int
    problems: tuple[LineProblem, ...]
    notes: tuple[str, ...]
    edges: int = 0


def import_file(
    path: Path,
    writer: Writer,
    clock: Clock,
    options: ImportOptions | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> ImportResult:
    """Import text or CSV made elsewhere, or what `export` wrote, Parquet included.

    `progress` is told bytes done and in all. The run comes in as a whole, in one
    transaction, or nothing does. Raises DataError when the file has no reading or
    cannot be read, UsageError when the options do not fit, StoreError.
    """
    with (
        staging_beside(writer.path) as staging,
        Writer.open_staging(staging, clock) as staged,
    ):
        intake = ImportedRun(staged, clock, known_in=writer.path)
        found = _read(path, staged, intake, (options or ImportOptions(), progress))
        run_id = patiently(lambda: writer.bring_import(staging))
    return replace(found, run=run_id)


def _read(
    path: Path,
    writer: Writer,
    intake: ImportedRun,
    wished: tuple[ImportOptions, Callable[[int, int], None] | None],
) -> ImportResult:
    """Read a file into a database of its own, and judge the run there."""
    wishes, progress = wished
    if is_parquet(path):
        run_id, notes = import_own(
            path, read_parquet(path, wishes.limits), intake, wishes
        )
    else:
        run_id, notes = _import_text(path, intake, wishes, progress)
    _judge(writer, intake, run_id, wishes)
    return ImportResult(
        run=run_id,
        readings=intake.readings,
        rejected=intake.rejected,
        problems=tuple(intake.problems),
        notes=notes,
        edges=intake.edges,
    )


def _judge(
    writer: Writer, intake: ImportedRun, run_id: int, wishes: ImportOptions
) -> None:
    """Store what the readings say, where the file's own verdict does not stand.

    It has none, or another part or time base is wished, or the file is not whole as it
    was written. A file may hold numbers so absurd that no figure comes of them: no
    verdict then.
    """
    anew = wishes.part or wishes.timebase or intake.altered or intake.rejected
    with closing(Reader.open(writer.path)) as reader:
        run = reader.run(run_id)
        if run.verdict is not None and not anew:
            return
        if run.judged_again and (wishes.part or wishes.timebase):
            run = _resting_on(run, wishes)
        row = verdict_by_all(reader, run)
    if row is not None:
        intake.conclude(run_id, [row])


def _resting_on(run: Run, wishes: ImportOptions) -> Run:
    """Return the run on what is wished, where its file had judged it otherwise."""
    part = wishes.part or run.part
    timebase = wishes.timebase or run.timebase
    return replace(run, part=part, nominal_hz=part.nominal_hz, timebase=timebase)


def verdict_by_all(reader: Reader, run: Run) -> VerdictRow | None:
    """Return a run's verdict by all that is stored of it; None where none comes of it.

    On the part and the time base that it was judged on last.
    """
    found = _assessed(reader, run)
    if found is None:
        return None
    basis = {
        "part": run.part,
        "timebase": run.timebase,
        "over_temperature": run.over_temperature,
        "learnt": run.learnt,
        "reason": "",
    }
    more = {"basis": basis} if run.judged_again else {}
    evaluation = Evaluation(run=run, assessment=found)
    try:
        with judged_alone(run):
            return kept_verdict(Racks(reader, run), evaluation, RULE, more)
    except (UnreadableRunError, DataError):
        return None


def _assessed(reader: Reader, run: Run) -> Assessment | None:
    try:
        with np.errstate(over="raise", invalid="raise"):
            found = assess(reader, run)
    except (UnreadableRunError, DataError):
        return None
    known = (found.offset_ppm, found.u_ppm, found.conformance)
    is_kept = all(x is None or abs(x) < LARGEST for x in known)  # no NaN, either
    return found if is_kept else None


def _import_text(
    path: Path,
    intake: ImportedRun,
    options: ImportOptions,
    progress: Callable[[int, int], None] | None,
) -> tuple[int, tuple[str, ...]]:
    blocks = numbered_blocks(path, progress, options.limits)
    block = next(blocks, None)
    if block is None:
        raise DataError(f"{path} is empty: nothing to import")
    blocks = chain([block], blocks)
    if is_own(block.lines()[0]):
        return import_own(path, read_own(lines_of(blocks)), intake, options)
    return import_foreign(path, blocks, intake, options)
