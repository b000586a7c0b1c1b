"""Which database a command means, and reading from it."""

import contextlib
import shlex
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from benchlog.cli.host_faults import address_fault
from benchlog.cli.printing import say
from benchlog.errors import (
    NotFoundError,
    StoreDamagedError,
    StoreError,
    UsageError,
)

_MOST_NAMED = 5  # our rule: what a person reads

if TYPE_CHECKING:
    from benchlog.model import Run
    from benchlog.store.reader import Reader
    from benchlog.store.run_reader import RunReader

AnyReader = TypeVar("AnyReader", bound="RunReader")


def database(db: Path | None) -> Path:
    """Return the path given by `--db`, else the default one; links are followed."""
    from benchlog.store.files import default_database, followed

    path = db if db is not None else default_database()
    fault = address_fault([path])
    if fault:
        raise UsageError(fault)
    return followed(path)


@contextlib.contextmanager
def reading(db: Path | None) -> "Iterator[Reader]":
    """Open the database as `reading_as` does, for most commands."""
    from benchlog.store.reader import Reader

    with reading_as(Reader, db) as reader:
        yield reader


@contextlib.contextmanager
def reading_runs(db: Path | None) -> "Iterator[RunReader]":
    """Open the database as `reading_as` does, for a list of runs."""
    from benchlog.store.run_reader import RunReader

    with reading_as(RunReader, db) as reader:
        yield reader


@contextlib.contextmanager
def reading_as(kind: "type[AnyReader]", db: Path | None) -> "Iterator[AnyReader]":
    """Open the database read-only for the length of a `with` block.

    A log that nobody needs any more is folded into the database afterwards.
    A file with the schema of an older version stays as it is: a copy of it is brought
    up to date and read. What could not be read is named at the end, and why.
    Raises StoreError when it is missing or not ours.
    """
    from benchlog.errors import StoreOlderError
    from benchlog.store.opening import fold_log
    from benchlog.store.second_names import may_be_written_elsewhere

    path = database(db)
    if may_be_written_elsewhere(path):
        say(
            f"{path} has a second name: what a program that has it open under that one "
            "has written is not shown here until it ends; name it by the other one"
        )
    with contextlib.ExitStack() as stack:
        try:
            reader = kind.open(path)
        except StoreOlderError:
            from benchlog.store.backup import at_newest_schema

            say(f"{path} is of an older version; a copy brought up to date is read")
            copy = stack.enter_context(at_newest_schema(path))
            reader = kind.open(copy, original=path)
        stack.callback(fold_log, path)
        stack.enter_context(reader)
        yield reader
        tell_left_out(reader)


def damage_behind(db: Path | None) -> StoreError | None:
    """Return what is wrong with a database that led to something unexpected.

    None where nothing is: then it is we who are wrong.
    """
    from benchlog.store.integrity.examination import examine

    path = database(db)
    if not path.exists():
        return None
    for finding in examine(path):
        if finding.todo:
            return StoreDamagedError(
                f"{path} is damaged: {finding.what}; `benchlog check` tells all of it, "
                "and what to do"
            )
    return None


def tell_left_out(reader: "RunReader") -> None:
    """Name what could not be read of a database, and the command that tells more."""
    say_left_out(reader.left_out)
    if set(reader.left_out) - reader.without_figures:
        say("`benchlog check` tells what is left of them, and what to do")
    if reader.without_figures:
        say(
            "rows that no figure can be made of are kept, and no damage: `benchlog "
            "export RUN` gives them as they are, `benchlog void RUN --reason R` takes "
            "the run out of every result"
        )


def say_left_out(left_out: Mapping[str, str]) -> None:
    """Name what could not be read, a line for each; a few lines stand for many."""
    for name, why in list(left_out.items())[:_MOST_NAMED]:
        say(f"{name} is left out: {why}")
    more = len(left_out) - _MOST_NAMED
    if more > 0:
        say(f"... and {more} more")


def chosen_run(reader: "Reader", named: int | str | None) -> "Run":
    """Return the run of this number, else of this device or code, else the latest one.

    Raises NotFoundError when there is no such run.
    """
    if isinstance(named, int):
        return reader.run(named)
    if named is not None:
        from benchlog.evaluation.coded_runs import coded_run

        return coded_run(reader, named) or newest_of(reader, named)
    latest = reader.latest_run()
    if latest is None:
        raise NotFoundError("run", "latest", (), "the database holds no run yet")
    return latest


def newest_of(reader: "RunReader", device: str) -> "Run":
    """Return the newest run of a device that counts, or else its newest; say which.

    The newest is the one whose readings were made last, whenever it came in.

    Raises NotFoundError where no run is of this device.
    """
    runs = list(reader.found_runs(device=device))
    if not runs:
        known = sorted({run.device for run in reader.found_runs()})
        raise NotFoundError("device", device, known, "(`benchlog devices` lists them)")
    made = {one.id: reader.made_utc_ns(one)[0] for one in runs}
    runs.sort(key=lambda one: (made[one.id] or -1, one.id), reverse=True)
    chosen = next((run for run in runs if run.counts), None)
    what = "the newest that counts" if chosen else "of which none counts"
    if len(runs) > 1:
        say(
            f"{device} has {len(runs)} runs; run {(chosen or runs[0]).id}, {what}, "
            "is taken; "
            f"`benchlog runs --device {shlex.quote(device)}` lists them"
        )
    return chosen or runs[0]
