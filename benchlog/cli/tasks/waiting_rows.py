"""Rows that a killed keeper left in a file come in before its run goes on.

Readings stay in the order in which they come in: behind those of a run that went on
they would spoil its duration, its gaps, its drift and what is told of its noise.
"""

from collections.abc import Callable
from pathlib import Path

from benchlog.cli.printing import say
from benchlog.clock import host_clock
from benchlog.errors import BenchlogError, DataError, UnreadableRunError
from benchlog.units import counted


def bring_waiting_rows(database: Path) -> None:
    """Bring rows of a database in that our own files beside it hold; tell of them.

    What does not come in is told, with why, and is let be: a run goes on all the same.
    """
    from benchlog.exchange.unsaved_import import bring_back, lacks
    from benchlog.store.unsaved_rows import command_for, files_of, head_of, rows_of_file
    from benchlog.store.writer import Writer

    if not database.exists():
        return
    for path in files_of(database):
        try:
            if not lacks(database, path):
                continue
            if {row[0] for row in rows_of_file(path)} - head_of(path).runs.keys():
                # runs of a database that was put in its place have the same numbers
                raise DataError("it does not tell whose rows they are; look at it")
            with Writer.open(database, host_clock()) as writer:
                found = bring_back(path, writer, left_out=say_rows_stay(path))
        except (BenchlogError, OSError) as error:
            say(f"{path} was not brought in ({error}): {command_for(path, database)}")
            continue
        for one in found:
            if not one.readings + one.edges + one.others:
                continue
            rows = counted(one.readings + one.edges + one.others, "row")
            say(f"run {one.run}: {rows} of {path.name} brought back first")


def say_rows_stay(path: Path) -> Callable[[UnreadableRunError], None]:
    """Return what tells that rows of a run stay in a file, and until when."""

    def said(error: UnreadableRunError) -> None:
        say(f"{error}; its rows stay in {path}: bring them in once it can be read")

    return said
