"""A reference check with the run it came from, read from the store and worked out."""

from dataclasses import dataclass

from benchlog.errors import DataError, NotFoundError
from benchlog.evaluation.reference_finding import finding_of
from benchlog.model import InstrumentSpec, ReferenceCheck
from benchlog.pages.run_record import RunRecord, run_record
from benchlog.store.reader import Reader
from benchlog.verdict.timebase.check_doubts import refusals, warnings
from benchlog.verdict.timebase.reference_check import Finding


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckRecord:
    """The run of a check; what the readings give, None where they give nothing.

    `check` is what was kept of it, None where it was refused; `warned` what of it
    speaks against it, or contradicts the bench file.
    """

    record: RunRecord
    finding: Finding | None
    why: str
    check: ReferenceCheck | None
    warned: tuple[str, ...] = ()


def check_run(reader: Reader, check: ReferenceCheck) -> CheckRecord | None:
    """Return the run that a check came from; None where it is not in this database."""
    if check.run_id is None:
        return None
    try:
        run = reader.run(check.run_id)
    except NotFoundError:
        return None
    return check_record(reader, run_record(reader, run))


def spec_behind(made: CheckRecord | None) -> InstrumentSpec | None:
    """Return what the bench of a check says of its counter; None where not known."""
    return None if made is None else _counter(made.record)


def check_record(reader: Reader, record: RunRecord) -> CheckRecord:
    """Return a run of a reference check with what it says of the time base."""
    run = record.run
    kept = [one for _, one in reader.reference_checks() if one.run_id == run.id]
    check, counter = next(iter(kept), None), _counter(record)
    try:
        found = _finding(reader, record)
    except DataError as error:
        return CheckRecord(record=record, finding=None, why=str(error), check=check)
    warned = (*refusals(found), *(warnings(found, counter) if counter else ()))
    return CheckRecord(record=record, finding=found, why="", check=check, warned=warned)


def _counter(record: RunRecord) -> InstrumentSpec | None:
    bench = record.run.recorded_bench
    return bench.instruments[bench.reference.counter] if bench.reference else None


def _finding(reader: Reader, record: RunRecord) -> Finding:
    run, bench = record.run, record.run.recorded_bench
    reference = bench.reference
    if reference is None:
        raise DataError("the run does not say how the reference was wired")
    counter = bench.instruments[reference.counter]
    return finding_of(reader, run, reference, counter)
