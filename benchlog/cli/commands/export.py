"""`benchlog export`: a run as a file that other tools can read."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from benchlog.cli.command import command as make_command
from benchlog.cli.database import chosen_run, reading
from benchlog.cli.printing import readings_and_stamps, say
from benchlog.cli.progress import Progress
from benchlog.cli.typed_values import DatasetAddress, RunOrDevice
from benchlog.errors import UsageError
from benchlog.units import counted

if TYPE_CHECKING:
    from benchlog.store.reader import Reader

EXAMPLES = (
    "benchlog export 12 --format csv --out KX-0412.csv",
    "benchlog export 12 --format jsonl --out KX-0412.jsonl --overwrite",
    "benchlog export 12 --format csv > KX-0412.csv",
    "benchlog export 12 --format parquet --out KX-0412.parquet",
    "benchlog export 12 --stability --out KX-0412-stability.csv",
    "benchlog export 12 --phase --out KX-0412-phase.csv",
    "benchlog export --dataset factory/",
    "benchlog export --dataset factory/ --compact",
    "benchlog export --dataset s3://factory/clocks",
)
STDOUT = Path("-")


@make_command("export", examples=EXAMPLES, figures=False)
@click.argument("run", type=RunOrDevice(), required=False, metavar="[RUN|DEVICE]")
@click.option(
    "--format",
    "kind",
    type=click.Choice(["csv", "jsonl", "parquet"]),
    default="csv",
    show_default=True,
    help="csv for spreadsheets, jsonl line by line, parquet typed and small.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False, allow_dash=True),
    default=STDOUT,
    metavar="FILE",
    help="The file to write; - (or nothing) is standard output.",
)
@click.option(
    "--dataset",
    type=DatasetAddress(),
    metavar="ADDRESS",
    help="Write the whole database as a dataset of Parquet files: into a folder, or "
    "to an address such as s3://bucket/folder.",
)
@click.option(
    "--compact",
    is_flag=True,
    help="Then bring the dataset's files of each month together: fewer, larger ones.",
)
@click.option("--stability", is_flag=True, help="The stability table, not readings.")
@click.option(
    "--phase", is_flag=True, help="The phase that was imported, exactly, as csv."
)
@click.option("--overwrite", is_flag=True, help="Replace a file that exists.")
def command(
    run: int | str | None, kind: str, out: Path, db: Path | None, **wish: Any
) -> None:
    """Write the readings of RUN to a file, with all that the run was begun with.

    What is written can be read again with `benchlog import` and gives the same figures.
    With --dataset the whole database goes into a folder of Parquet files, beside those
    of other benches; an object store's credentials come from the environment.
    """
    if (run is None) is (wish["dataset"] is None):
        raise UsageError("name a RUN to export, or a folder with --dataset")
    if run is None and (out != STDOUT or wish["stability"] or wish["phase"]):
        raise UsageError(
            "--out, --stability and --phase are for one run: name it, and leave "
            "--dataset out"
        )
    if wish["compact"] and run is not None:
        raise UsageError("--compact is for a dataset; name its folder with --dataset")
    with reading(db) as reader:
        if run is None:
            _dataset(reader, wish["dataset"])
            if wish["compact"]:
                _compact(wish["dataset"])
            return
        number = run if isinstance(run, int) else chosen_run(reader, run).id
        if wish["phase"]:
            _phase(reader, number, kind, out, wish)
        elif wish["stability"]:
            _stability(reader, number, kind, out, wish["overwrite"])
        else:
            _run(reader, number, kind, out, wish["overwrite"])


def _run(reader: "Reader", run: int, kind: str, out: Path, overwrite: bool) -> None:
    from benchlog.exchange.export.run_export import PARQUET, export_run, write_run

    with Progress(f"exporting run {run}") as progress:
        if out == STDOUT:
            if kind == PARQUET:
                raise UsageError("Parquet goes to a file: name it with --out")
            write_run(reader, run, kind, sys.stdout, progress.reached)
            return
        sent = export_run(reader, run, kind, out, progress.reached, overwrite=overwrite)
    say(f"{readings_and_stamps(sent.readings, sent.edges)} written to {out}")


def _stability(
    reader: "Reader", run: int, kind: str, out: Path, overwrite: bool
) -> None:
    from benchlog.exchange.export.run_export import export_stability

    if out == STDOUT:
        raise UsageError("a stability table goes to a file: name it with --out")
    written = export_stability(reader, run, kind, out, overwrite=overwrite)
    say(f"{counted(written, 'row')} of stability written to {out}")


def _phase(
    reader: "Reader", run: int, kind: str, out: Path, wish: dict[str, Any]
) -> None:
    from benchlog.exchange.export.run_export import export_phase

    if wish["stability"]:
        raise UsageError("--phase and --stability are two files: ask for one at a time")
    if out == STDOUT or kind != "csv":
        raise UsageError("phase goes to a csv file: name it with --out")
    written = export_phase(reader, run, out, overwrite=wish["overwrite"])
    say(f"{counted(written, 'phase point')} written to {out}")


def _dataset(reader: "Reader", address: str | Path) -> None:
    from benchlog.exchange.dataset.addresses import folder_at
    from benchlog.exchange.dataset.write import write_dataset

    folder = folder_at(address)
    with Progress("exporting runs") as progress:
        written = write_dataset(reader, folder, progress.reached)
    said = f"{counted(written.runs, 'run')} in {folder.shown}"
    said += f", {counted(written.files, 'file')} written, {written.unchanged} unchanged"
    if written.left_out:
        said += f"; left out, still running: {len(written.left_out)}"
    say(said)


def _compact(address: str | Path) -> None:
    from benchlog.exchange.dataset.compact import compact

    with Progress("compacting parts and months") as progress:
        done = compact(address, progress.reached)
    say(f"{counted(done.after, 'file')} of runs and readings, {done.before} before")
