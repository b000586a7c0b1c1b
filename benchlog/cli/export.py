"""`benchlog export`: a run as a file that other tools can read."""

import sys
from pathlib import Path

import click

from benchlog.cli.command import command as make_command
from benchlog.cli.database import reading
from benchlog.cli.printing import counted, say
from benchlog.cli.progress import Progress
from benchlog.cli.values import RunId

EXAMPLES = (
    "benchlog export 12 --format csv --out KX-0412.csv",
    "benchlog export 12 --format jsonl --out KX-0412.jsonl --overwrite",
    "benchlog export 12 --format csv > KX-0412.csv",
)
STDOUT = Path("-")


@make_command("export", examples=EXAMPLES, figures=False)
@click.argument("run", type=RunId())
@click.option(
    "--format",
    "kind",
    type=click.Choice(["csv", "jsonl"]),
    default="csv",
    show_default=True,
    help="csv for spreadsheets; jsonl holds events and conditions, too.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False, allow_dash=True),
    default=STDOUT,
    metavar="FILE",
    help="The file to write; - (or nothing) is standard output.",
)
@click.option("--overwrite", is_flag=True, help="Replace a file that exists.")
def command(run: int, kind: str, out: Path, overwrite: bool, db: Path | None) -> None:
    """Write the readings of RUN to a file, with all that the run was begun with.

    What is written can be read again with `benchlog import` and gives the same figures.
    """
    from benchlog.report.exports import export_run, write_run

    with reading(db) as reader, Progress(f"exporting run {run}") as progress:
        if out == STDOUT:
            write_run(reader, run, kind, sys.stdout, progress.reached)
            return
        written = export_run(
            reader, run, kind, out, progress.reached, overwrite=overwrite
        )
    say(f"{counted(written, 'reading')} written to {out}")
