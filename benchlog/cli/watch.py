"""`benchlog watch`: the live screen on a run, wherever its keeper is."""

from pathlib import Path

import click

from benchlog.cli.command import command as make_command
from benchlog.cli.database import chosen_run, database, reading
from benchlog.cli.printing import in_terminal
from benchlog.cli.values import RunId
from benchlog.errors import UsageError

EXAMPLES = (
    "benchlog watch",
    "benchlog watch 12 --bell",
)


@make_command("watch", examples=EXAMPLES, figures=False)
@click.argument("run", type=RunId(), required=False)
@click.option("--bell", is_flag=True, help="Ring when the verdict becomes clear.")
def command(run: int | None, bell: bool, db: Path | None) -> None:
    """Watch RUN (the latest one if left out) on a live screen.

    Watching costs the run nothing: it reads the database, and leaving the screen leaves
    the run alone.
    """
    if not in_terminal():
        raise UsageError(
            "watch needs a terminal; `benchlog show` prints the figures without one"
        )
    with reading(db) as reader:
        number = chosen_run(reader, run).id
    from benchlog.cli.onscreen import watch_run

    watch_run(database(db), number, bell=bell)
