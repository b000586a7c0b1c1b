"""`benchlog bench`: the benches there are, and making a new one."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from benchlog.cli import options
from benchlog.cli.command import COMMANDS, Group, common_options
from benchlog.cli.command import command as make_command
from benchlog.cli.printing import in_terminal, print_json, say, table
from benchlog.cli.tasks.bench_setup.answers import LINES, SPEAKS
from benchlog.cli.typed_values import FiniteNumber, Text
from benchlog.errors import ConfigError

if TYPE_CHECKING:
    from benchlog.model import Bench

EXAMPLES = (
    "benchlog bench",
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
    """List the benches there are, or make a new one.

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


def list_all(as_json: bool) -> None:
    """Print every bench; a file with problems is named on standard error."""
    from benchlog.catalogue import list_benches

    benches, problems = list_benches()
    for problem in problems:
        say(f"left out: {problem}")
    if as_json:
        print_json([_document(bench) for bench in benches])
    elif benches:
        headers = ("bench", "instruments", "positions", "title")
        click.echo(table(headers, [_row(bench) for bench in benches]))
    elif problems:
        raise ConfigError(problems)


def _row(bench: "Bench") -> tuple[str, ...]:
    names = ", ".join(one.name for one in bench.positions)
    return bench.name, ", ".join(bench.instruments), names or "-", bench.title


def _document(bench: "Bench") -> dict[str, Any]:
    return {
        "bench": bench.name,
        "title": bench.title,
        "instruments": [
            {"instrument": one.name, "driver": one.driver, "address": one.address}
            for one in bench.instruments.values()
        ],
        "positions": [one.name for one in bench.positions],
        "file": bench.file,
    }


_wired = options.several(
    click.option("--counter", type=Text(), help="Where the counter is: an address."),
    click.option("--speaks", type=click.Choice(list(SPEAKS)), help="How it speaks."),
    click.option("--dialect", type=Text(), help="Its dialect, by name or path."),
    click.option("--gate-s", type=FiniteNumber(above=0), help="Its gate, in s."),
    click.option("--input", type=click.IntRange(1, 16), help="Which of its inputs."),
    click.option(
        "--timebase-ppm", type=FiniteNumber(), help="What its maker promises."
    ),
    click.option(
        "--baud", type=click.IntRange(50, 4_000_000), help="On a serial line."
    ),
    click.option("--dtr/--no-dtr", default=None, help="How DTR is held."),
    click.option("--rts/--no-rts", default=None, help="How RTS is held."),
    click.option(
        "--gpib-address",
        type=click.IntRange(0, 30),
        help="Behind a bridge on a serial line or socket.",
    ),
    click.option("--visa-library", metavar="NAME", help="Who knows the address."),
    click.option(
        "--ambient", type=Text(), help="Degrees C, a thermometer's address, or none."
    ),
    click.option(
        "--ambient-speaks",
        type=click.Choice(["scpi", "lines"]),
        help="How the thermometer speaks.",
    ),
    click.option(
        "--ambient-baud", type=click.IntRange(50, 4_000_000), help="Its baud."
    ),
    click.option(
        "--pulse",
        type=Text(),
        help="A pulse per second: 'input 2', /dev/pps0, a port, or none.",
    ),
    click.option(
        "--pulse-line", type=click.Choice(LINES), help="The line it comes on."
    ),
    click.option(
        "--pulse-u-s",
        type=FiniteNumber(above=0),
        help="Its standard uncertainty, in s.",
    ),
    click.option(
        "--timebase-pulse",
        type=Text(),
        help="Port of the counter's time base, divided to pulses.",
    ),
    click.option("--timebase-line", type=click.Choice(LINES), help="And its line."),
    click.option(
        "--position", type=Text(), default="A", show_default=True, help="Its name."
    ),
    click.option(
        "--divider", type=FiniteNumber(above=0), help="What the device divides by."
    ),
)


@make_command("new", examples=EXAMPLES[1:], figures=False)
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
    code 1 when an instrument was tried and did not answer; the file is written then,
    too, unless you say no.
    """
    from benchlog.cli.tasks.bench_setup.asking import BenchWish
    from benchlog.cli.tasks.bench_setup.new_bench import How, make_bench

    how = How(
        interactive=in_terminal() and not wish["dry_run"],
        **{key: wish.pop(key) for key in How.NAMES},
    )
    failed = make_bench(BenchWish(name=name, **wish), how, db)
    ctx.exit(1 if failed else 0)


command.add_command(list_)
command.add_command(new)
list_.short_help = "List every bench of the catalogue."
new.short_help = "Find instruments, ask what is wired where, write the file."
