"""`benchlog backup`: a whole copy of a database that is in use."""

from pathlib import Path

import click

from benchlog.cli.command import command as make_command
from benchlog.cli.database import database
from benchlog.cli.printing import say
from benchlog.units import counted

EXAMPLES = (
    "benchlog backup bench-monday.db",
    "benchlog backup bench.db --overwrite",
)


@make_command("backup", examples=EXAMPLES, figures=False)
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--overwrite", is_flag=True, help="Replace a file that exists.")
def command(file: Path, overwrite: bool, db: Path | None) -> None:
    """Copy the database to FILE while keepers go on.

    A plain copy of a database that is in use can miss the newest readings: they may
    still be in the log beside it. This copy is whole and checked.
    """
    from benchlog.store.backup import back_up

    copied = back_up(database(db), file, overwrite=overwrite)
    say(f"{counted(copied.readings, 'reading')} in {file}")
    for run in copied.open_runs:
        say(
            f"run {run} had not ended: the copy holds what was stored so far, and "
            "lists it as broken off"
        )
