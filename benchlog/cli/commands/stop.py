"""`benchlog stop`: end a run from any terminal, as the key of its screen does."""

from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from benchlog.cli.command import command as make_command
from benchlog.cli.database import database, reading
from benchlog.cli.printing import say
from benchlog.cli.typed_values import RunId
from benchlog.clock import host_deadline, host_sleep
from benchlog.errors import BenchlogError, UsageError
from benchlog.units import counted

if TYPE_CHECKING:
    from benchlog.model import Run

EXAMPLES = ("benchlog stop 12",)
_PATIENCE_S: Final = 10.0
_LOOK_S: Final = 0.1


@make_command("stop", examples=EXAMPLES, figures=False)
@click.argument("run", type=RunId())
def command(run: int, db: Path | None) -> None:
    """Stop RUN: its keeper ends it, the readings are kept, the verdict is given.

    Works for runs of other terminals and of none. Inspecting a lot ends with the run
    that is under way; the lot can be gone on with.
    """
    from benchlog.control import Request, ask, file_of
    from benchlog.keepers import socket_of

    with reading(db) as reader:
        found = reader.run(run)
        path = reader.original
    _refuse_idle(found, path)
    if (keeper := socket_of(found, path)) is None:
        raise UsageError(f"run {run} names no keeper: there is nothing to stop")
    answer = ask(keeper, Request("stop", run), file_of(path))
    if not answer.ok:
        raise BenchlogError(answer.error or f"the keeper did not stop run {run}")
    ended = _ended(run, db)
    say(
        f"run {run} of {ended.device} is {ended.ended_how or 'being stopped'}, "
        f"{counted(ended.readings, 'reading')} kept; `benchlog show {run}` shows it"
    )


def _refuse_idle(run: "Run", path: Path) -> None:
    """Raise UsageError for a run that is not going on."""
    from benchlog.keepers import state_of

    if not run.open:
        how = run.ended_how or "ended"
        raise UsageError(f"run {run.id} is over ({how}): there is nothing to stop")
    if state_of(run, path) != "running":
        raise UsageError(
            f"run {run.id} was broken off; nobody keeps it: there is nothing to stop"
        )


def _ended(number: int, db: Path | None) -> "Run":
    """Wait until the run has ended, and return it; a busy keeper may take longer."""
    from benchlog.store.reader import Reader

    limit = host_deadline(_PATIENCE_S)
    with Reader.open(database(db)) as reader:
        while (run := reader.run(number)).open and not limit.passed:
            host_sleep(_LOOK_S)
    return run
