"""`benchlog import`: data made elsewhere becomes a run like any other."""

from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from benchlog.cli.command import command as make_command
from benchlog.cli.database import database
from benchlog.cli.host_faults import address_fault
from benchlog.cli.options import is_typed
from benchlog.cli.printing import print_json, readings_and_stamps, say
from benchlog.cli.progress import Progress
from benchlog.cli.typed_seconds import Seconds
from benchlog.cli.typed_values import CatalogueName, DeviceId, Frequency, Text
from benchlog.errors import UsageError
from benchlog.masking import masked
from benchlog.units import counted, printable
from benchlog.version import __version__

if TYPE_CHECKING:
    from collections.abc import Sequence

    from benchlog.exchange.import_file import ImportResult
    from benchlog.exchange.import_options import ImportOptions
    from benchlog.exchange.unsaved_import import BroughtBack

EXAMPLES = (
    "benchlog import logged-by-hand.txt --nominal-hz 16e6 --gate-s 1 --device KX-0412",
    "benchlog import phase.csv --nominal-hz 10e6 --data phase --column 3 --json",
    "benchlog import in-mhz.csv --part tcxo-10mhz-500ppb --unit MHz",
    "benchlog import KX-0412.jsonl",
)
UNITS: Final = ("Hz", "kHz", "MHz", "GHz", "%", "ppm", "ppb", "s", "ms", "us", "ns")


class LocalFile(click.Path):
    """A file that is there; an address is told apart from a name that was mistyped."""

    def __init__(self) -> None:
        super().__init__(path_type=Path, dir_okay=False, exists=True)

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> Any:
        """Return the path, or fail with what to do."""
        if address_fault([Path(value)]):
            self.fail(
                f"{printable(masked(str(value)))} is an address, and import reads "
                "files of this computer: copy it here with the tools of that service, "
                "then import the copy",
                param,
                ctx,
            )
        path = Path(str(super().convert(value, param, ctx)))
        if not path.is_file():  # read several times, and a pipe gives all only once
            self.fail(
                f"{printable(str(path))} is a pipe, a device or a socket: save what "
                "comes out of it in a file, then import that",
                param,
                ctx,
            )
        return path


@make_command("import", examples=EXAMPLES)
@click.argument("file", type=LocalFile())
@click.option(
    "--nominal-hz",
    type=Frequency(),
    help="As 16e6 or 16MHz; else the part's, or what `export` wrote.",
)
@click.option(
    "--gate-s",
    type=Seconds(above=0),
    help="Else the spacing of the time stamps, or 1 s.",
)
@click.option("--column", type=click.IntRange(1), help="The data's, counted from 1.")
@click.option("--time-column", type=click.IntRange(1), help="The time's, likewise.")
@click.option(
    "--data",
    type=click.Choice(["frequency", "fractional", "phase"]),
    default="frequency",
    show_default=True,
    help="In Hz; as (f - f0)/f0; as time error in s.",
)
@click.option(
    "--unit",
    type=click.Choice(UNITS),
    help="Of numbers without one [as the column's head says, else Hz, 1 or s].",
)
@click.option(
    "--device", type=DeviceId(), help="The device's id; else the file's name."
)
@click.option(
    "--part", type=CatalogueName("parts"), help="What it is to be judged against."
)
@click.option("--lot", type=Text(), help="The lot the device belongs to.")
@click.option("--operator", type=Text(), help="Who measured.")
@click.option("--note", type=Text(), help="Kept with the run.")
@click.option(
    "--limit",
    "limits",
    multiple=True,
    metavar="NAME=NUMBER",
    help="Read more of a file: of lines, columns, characters, megabytes, memory.",
)
@click.option("--again", is_flag=True, help="Also a run that is here already.")
def command(file: Path, db: Path | None, as_json: bool, **typed: Any) -> None:
    """Read FILE, text or CSV made elsewhere or what `benchlog export` wrote, as a run.

    How the file was understood is said, and every line that gave no reading. A file of
    rows that were saved from a full disk goes back into the run that they belong to.
    """
    from benchlog.store.unsaved_rows import is_unsaved

    if is_unsaved(file):
        bring_rows_back(file, database(db), typed, as_json=as_json)
        return
    result = bring_in(file, database(db), options_of(typed))
    for note in result.notes:
        say(note)
    for problem in result.problems:
        say(f"{file.name}: {problem}")
    if result.rejected > len(result.problems):
        say(f"... and {result.rejected - len(result.problems):,} more lines like these")
    if as_json:
        print_json(result, "import")
    else:
        came = readings_and_stamps(result.readings, result.edges)
        refused = counted(result.rejected, "line")
        click.echo(f"run {result.run}: {came}, {refused} rejected")


def bring_rows_back(
    path: Path, db: Path, typed: dict[str, Any], *, as_json: bool
) -> None:
    """Bring a file of unsaved rows back and tell what came. Raises UsageError."""
    from benchlog.cli.tasks.waiting_rows import say_rows_stay
    from benchlog.clock import host_clock
    from benchlog.exchange.file_limits import raised
    from benchlog.exchange.unsaved_import import bring_back, earlier_file
    from benchlog.store.writer import Writer

    given = [name for name in typed if is_typed(name)]
    again = "again" in given
    given = [name for name in given if name not in ("again", "limits")]
    if given:
        option = given[0].removesuffix("s").replace("_", "-")
        raise UsageError(
            f"{path.name} goes back into its own run; leave out --{option}"
        )
    earlier = None if again else earlier_file(path, db)
    if earlier is not None:
        raise UsageError(
            f"the rows in {earlier} are earlier and not in yet: bring them in first, "
            "since readings stay in the order in which they come in; --again brings "
            f"{path.name} in all the same"
        )
    with Writer.open(db, host_clock()) as writer:
        limits = raised(typed["limits"])
        found = bring_back(
            path, writer, limits, again=again, left_out=say_rows_stay(path)
        )
    tell_of_order(found, db)
    for run in checks_found_without(found, db):
        say(
            f"run {run} is a reference check whose figures were found without what "
            "came back: repeat `refcheck`, or void this one: "
            f"`benchlog void {run} --reason WHY`"
        )
    if as_json:
        print_json(found[0] if len(found) == 1 else list(found), "rows-back")
        return
    for one in found:
        came = readings_and_stamps(one.readings, one.edges)
        more = f", {counted(one.others, 'other row')}" if one.others else ""
        there = f"; {counted(one.there, 'row')} had come before" if one.there else ""
        click.echo(f"run {one.run}: {came}{more} brought back{there}")
    if found[0].rejected:
        say(f"{counted(found[0].rejected, 'line')} of {path.name} cannot be read")


def tell_of_order(found: "Sequence[BroughtBack]", db: Path) -> None:
    """Tell of runs into which readings came behind later ones."""
    from benchlog.store.reader import Reader

    with Reader.open(db) as reader:
        for one in found:
            if one.readings and not reader.is_in_order(one.run):
                say(
                    f"run {one.run}: readings came in behind later ones; its mean "
                    "holds, but U, duration, gaps, drift and stability take them in "
                    "this order and are wrong: "
                    f"`benchlog void {one.run} --reason WHY` if they matter"
                )


def checks_found_without(found: "Sequence[BroughtBack]", db: Path) -> list[int]:
    """Return the runs whose reference check stands, and rests on fewer readings."""
    from benchlog.store.reader import Reader

    grown = {one.run for one in found if one.readings or one.edges}
    with Reader.open(db) as reader:
        checks = [check for _, check in reader.reference_checks() if not check.void]
    return sorted(grown & {one.run_id for one in checks if one.run_id is not None})


def options_of(typed: dict[str, Any]) -> "ImportOptions":
    """Return the options that were typed. Raises NotFoundError for the part."""
    from benchlog.catalogue import load_part
    from benchlog.exchange.file_limits import raised
    from benchlog.exchange.import_options import ImportOptions

    part, limits = typed.pop("part"), raised(typed.pop("limits"))
    given = {name: value for name, value in typed.items() if value is not None}
    if part is not None:
        given["part"] = load_part(part)
    return ImportOptions(software=f"benchlog {__version__}", limits=limits, **given)


def bring_in(path: Path, db: Path, options: "ImportOptions") -> "ImportResult":
    """Import a file into a database, with progress."""
    from benchlog.clock import host_clock
    from benchlog.exchange.import_file import import_file
    from benchlog.store.writer import Writer

    clock = host_clock()
    writer = Writer.open(db, clock)
    try:
        with Progress(f"reading {path.name} (bytes)") as progress:
            return import_file(path, writer, clock, options, progress.reached)
    finally:
        writer.close()
