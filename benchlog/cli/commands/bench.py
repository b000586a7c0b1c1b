"""`benchlog bench`: the benches there are, and making a new one."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from benchlog.cli import options
from benchlog.cli.command import COMMANDS, Group, common_options
from benchlog.cli.command import command as make_command
from benchlog.cli.printing import in_terminal, pairs, print_json, say
from benchlog.cli.tasks.bench_setup.answers import LINES, SPEAKS
from benchlog.cli.typed_seconds import Seconds
from benchlog.cli.typed_values import CatalogueName, FiniteNumber, Text
from benchlog.errors import ConfigError
from benchlog.masking import MASK, masked, masked_file, masked_line
from benchlog.units import printable

if TYPE_CHECKING:
    from benchlog.model import Bench

EXAMPLES = (
    "benchlog bench",
    "benchlog bench show counter-usbtmc",
    "benchlog bench new corner-bench",
    "benchlog bench new corner-bench --counter 192.0.2.10:5025 --ambient 23.5 --try",
    "benchlog bench new board --counter /dev/ttyACM0 --speaks counts --dtr --rts",
    "benchlog bench new gps --counter 192.0.2.10:5025 --pulse 'input 2' --dry-run",
)


@click.group(
    "bench", cls=Group, short_help=COMMANDS["bench"], invoke_without_command=True
)
@click.pass_context
def command(ctx: click.Context, db: Path | None, as_json: bool) -> None:
    """List the benches there are, show one, or make a new one.

    Benches are TOML files: examples that ship with benchlog, yours in the folder
    `benches` of your configuration folder, and those in ./configs/benches.
    """
    del db
    if ctx.invoked_subcommand is None:
        list_all(as_json)


command.examples = EXAMPLES
command.params += common_options(figures=True)


@make_command("list", examples=EXAMPLES[:1])
def list_(db: Path | None, as_json: bool) -> None:
    """List every bench of the catalogue."""
    del db
    list_all(as_json)


@make_command("show", examples=EXAMPLES[1:2])
@click.argument("bench", metavar="NAME", type=CatalogueName("benches"))
def show(bench: str, db: Path | None, as_json: bool) -> None:
    """Show the file of one bench, with its comments; NAME may be a path."""
    del db
    from benchlog.catalogue import find, load_bench

    if as_json:
        print_json(_document(load_bench(bench)), "bench")
        return
    entry = find("benches", bench)
    load_bench(bench)  # a faulty file is named as faulty
    whole = entry.read_text("utf-8-sig")
    lines = [masked_line(line) for line in masked_file(whole).splitlines()]
    for line in lines:
        click.echo(printable(line))
    if lines != whole.splitlines():
        say(f"secrets are shown as {MASK}; they are in {entry}")


def list_all(as_json: bool) -> None:
    """Print every bench; a file with problems is named on standard error."""
    from benchlog.catalogue import list_benches

    benches, problems = list_benches()
    for problem in problems:
        say(f"left out: {problem}")
    if as_json:
        print_json([_document(bench) for bench in benches], "bench")
    elif benches:
        click.echo(pairs((bench.name, _line(bench)) for bench in benches))
    elif problems:
        raise ConfigError(problems)


def _line(bench: "Bench") -> str:
    return f"{bench.title or 'no title'} ({', '.join(bench.instruments)})"


def _document(bench: "Bench") -> dict[str, Any]:
    return {
        "bench": bench.name,
        "title": bench.title,
        "instruments": [
            {
                "instrument": one.name,
                "driver": one.driver,
                "address": masked(one.address),
            }
            for one in bench.instruments.values()
        ],
        "positions": [one.name for one in bench.positions],
        "file": bench.file,
    }


_BAUD = click.IntRange(50, 4_000_000)
_wired = options.several(
    click.option(
        "--counter",
        type=Text(),
        metavar="ADDRESS",
        help="Where the counter is: 192.0.2.10:5025, a VISA resource, /dev/ttyUSB0.",
    ),
    click.option(
        "--speaks",
        type=click.Choice(list(SPEAKS)),
        help="It is asked (scpi), prints lines in Hz, kHz or whole counts, or the "
        "device itself gives pulses.",
    ),
    click.option("--dialect", type=Text(), help="The counter's, by name or path."),
    click.option("--gate-s", type=Seconds(above=0), help="The counter's gate, in s."),
    click.option(
        "--input",
        type=click.IntRange(1, 16),
        help="The counter's input that the device is on.",
    ),
    click.option(
        "--timebase-ppm",
        type=FiniteNumber(),
        help="What the counter's maker promises for its time base, +- ppm.",
    ),
    click.option("--baud", type=_BAUD, help="Of the counter's serial line."),
    click.option(
        "--dtr/--no-dtr",
        default=None,
        help="Hold DTR active or inactive; a board may reset on its edge.",
    ),
    click.option("--rts/--no-rts", default=None, help="Hold RTS likewise."),
    click.option(
        "--gpib-address",
        type=click.IntRange(0, 30),
        help="The counter's, behind a bridge on a serial line or socket.",
    ),
    click.option(
        "--visa-library", metavar="NAME", help="The VISA library for the counter."
    ),
    click.option(
        "--line",
        type=click.Choice(list(LINES)),
        help="The line that the device's own pulses come on.",
    ),
    click.option(
        "--ambient",
        type=Text(),
        help="Degrees C as read off, a thermometer's address, or none.",
    ),
    click.option(
        "--ambient-speaks",
        type=click.Choice(["scpi", "lines"]),
        help="The thermometer is asked, or prints lines.",
    ),
    click.option("--ambient-baud", type=_BAUD, help="Of its serial line."),
    click.option(
        "--pulse",
        type=Text(),
        help="A pulse per second as reference: 'input 2' of the counter, /dev/pps0, "
        "a serial port, or none.",
    ),
    click.option(
        "--pulse-line",
        type=click.Choice(list(LINES)),
        help="The line that the reference pulses come on.",
    ),
    click.option(
        "--pulse-u-s",
        type=Seconds(above=0),
        help="Standard uncertainty of a reference pulse, in s.",
    ),
    click.option(
        "--timebase-pulse",
        type=Text(),
        metavar="ADDRESS",
        help="A port where the counter's time base comes in, divided to pulses.",
    ),
    click.option(
        "--timebase-line",
        type=click.Choice(list(LINES)),
        help="The line that those come on.",
    ),
    click.option(
        "--position", type=Text(), default="A", show_default=True, help="Its name."
    ),
    click.option(
        "--divider",
        type=FiniteNumber(above=0),
        help="What the device divides its clock by at its output.",
    ),
)


@make_command("new", examples=EXAMPLES[2:], figures=False)
@click.argument("name", required=False, type=Text())
@_wired
@click.option("--ask", is_flag=True, help="Send *IDN? to what was found.")
@click.option(
    "--lan",
    "interfaces",
    multiple=True,
    metavar="NAME",
    help="Search the network of this interface as well.",
)
@click.option(
    "--try/--no-try",
    "try_it",
    default=None,
    help="Try each instrument, or not; in a terminal you are asked.",
)
@click.option(
    "--folder",
    type=click.Choice(["here", "user"]),
    help="Into ./configs/benches, or your configuration folder.",
)
@click.option(
    "--out", type=click.Path(path_type=Path, dir_okay=False), help="Or into this file."
)
@click.option("--overwrite", is_flag=True, help="Replace a file that exists.")
@click.option("--dry-run", is_flag=True, help="Print the file; send and write nothing.")
@click.pass_context
def new(ctx: click.Context, /, name: str | None, db: Path | None, **wish: Any) -> None:
    """Make a bench file: find instruments, ask what is wired where, try it, write it.

    Every question can be answered by an option; without a terminal nothing is asked,
    and nothing is sent unless --ask or --try is given. A question to an instrument can
    reset a board or trip a supply, so each step that sends is asked for first. Exit
    code 1 when an instrument was tried and did not answer; without a terminal the file
    is written then, too.
    """
    from benchlog.cli.tasks.bench_setup.asking import BenchWish
    from benchlog.cli.tasks.bench_setup.new_bench import How, make_bench

    how = How(
        interactive=in_terminal(),
        **{key: wish.pop(key) for key in How.NAMES},
    )
    failed = make_bench(BenchWish(name=name, **wish), how, db)
    ctx.exit(1 if failed else 0)


command.add_command(list_)
command.add_command(show)
command.add_command(new)
show.short_help = "Show the file of one bench, with its comments."
list_.short_help = "List every bench of the catalogue."
new.short_help = "Find instruments, ask what is wired where, write the file."
