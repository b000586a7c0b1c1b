"""Runs, readings and figures of a database, given by its path or as it was opened."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from operator import index
from pathlib import Path

from benchlog.errors import UsageError
from benchlog.evaluation.records import Readings, RecordedRun, Records, RunFigures
from benchlog.model import Purpose, Run
from benchlog.units import NS_PER_S

Source = Records | Path | str
"""A database: opened by `benchlog.open`, or its path."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRow:
    """One run in a list; None is unknown.

    Names are those of `runs --json`. `offset_ppm` and `u_ppm` are those kept with the
    newest verdict; `figures` works them out anew.

    Parameters
    ----------
    run : int
        Its number in this database.
    run_uid : str
        Its UUID, the same in every copy.
    device, part, position, bench : str
        What was measured, and where.
    lot : str | None
        The lot it belongs to.
    purpose : str
        `measure`, `inspect`, `soak`, `trim`, `refcheck` or `import`.
    started, ended : datetime | None
        In UTC; of a run that goes on, `ended` is None.
    readings : int
        How many the figures are of. `readings` gives all, also those from before the
        device had settled.
    offset_ppm, u_ppm : float | None
        Mean offset from nominal and its expanded uncertainty (95 %), ppm.
    verdict : str | None
        `pass`, `fail` or `undecided`; None while there is none, and of a check of a
        time base.
    counts : bool
        Whether it counts; `does_not_count` has the reason where it does not.
    simulated : bool
        Whether simulated instruments made it.

    """

    run: int
    run_uid: str
    device: str
    part: str
    position: str
    bench: str
    lot: str | None
    purpose: str
    started: datetime | None
    ended: datetime | None
    readings: int
    offset_ppm: float | None
    u_ppm: float | None
    verdict: str | None
    counts: bool
    does_not_count: str | None
    simulated: bool


def open(path: str | Path) -> Records:
    """Open a database to read, also while keepers write to it.

    Close what is returned, or use it in a `with` block. Raises StoreError when the file
    is missing or not ours.
    """
    return Records.open(path)


def runs(
    source: Source,
    *,
    device: str | None = None,
    part: str | None = None,
    lot: str | None = None,
    limit: int = 100,
) -> list[RunRow]:
    """Return the runs of a device, a part id and a lot, the newest first.

    Raises StoreError when the database cannot be read, UsageError for a limit below 1.
    A damaged run is left out.
    """
    if limit < 1:
        raise UsageError(f"limit is 1 or more, not {limit}")
    with opened(source) as records:
        found = records.runs(device=device, part=part, lot=lot, limit=limit)
        return [_row(one.row) for one in found]


def readings(source: Source, run: int | str) -> Readings:
    """Return the raw readings of a run as numpy arrays; `to_arrow()` gives a table.

    `run` is its number, its UUID, or what a scanner read off its label. Raises
    NotFoundError when there is no such run, StoreError.
    """
    with opened(source) as records:
        return run_of(records, run).readings()


def figures(source: Source, run: int | str) -> RunFigures:
    """Judge a run from its readings; return its figures, verdict and what happened.

    `run` as in `readings`. Raises NotFoundError, StoreError, UnreadableRunError.
    """
    with opened(source) as records:
        return run_of(records, run).figures()


@contextmanager
def opened(source: Source) -> Iterator[Records]:
    """Give a database as it was opened; one that is opened here is closed again."""
    if isinstance(source, Records):
        yield source
        return
    with Records.open(source) as records:
        yield records


def run_of(records: Records, run: int | str) -> RecordedRun:
    """Return a run by its number, its UUID or its code.

    Any whole number will do, numpy's as well. Raises NotFoundError, and UsageError for
    what is neither a number nor a text.
    """
    if isinstance(run, str):
        return records.coded(run)
    try:
        number = index(run)
    except TypeError as error:
        raise UsageError(
            f"{run!r} names no run; give its number, its UUID or the code of its label"
        ) from error
    return records.run(number)


def _row(run: Run) -> RunRow:
    why = run.why_not_counted
    judged = run.made_for is not Purpose.REFCHECK
    return RunRow(
        run=run.id,
        run_uid=run.uid,
        device=run.device,
        part=run.part.id,
        position=run.position,
        bench=run.bench,
        lot=run.lot,
        purpose=run.purpose.value,
        started=_moment(run.started_utc_ns),
        ended=_moment(run.ended_utc_ns),
        readings=run.told_readings,
        offset_ppm=run.offset_ppm,
        u_ppm=run.u_ppm,
        verdict=("fail" if run.damaged else run.verdict) if judged else None,
        counts=not why,
        does_not_count=why or None,
        simulated=run.simulated,
    )


def _moment(utc_ns: int | None) -> datetime | None:
    """Return a moment in UTC; None where none is known, or no calendar has it."""
    if utc_ns is None or utc_ns < 0:
        return None
    try:
        return datetime.fromtimestamp(utc_ns / NS_PER_S, UTC)
    except (OverflowError, ValueError, OSError):
        return None
