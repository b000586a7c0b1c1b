"""What every command has: its line in the list, common options, examples."""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Final

import click

from benchlog.cli.error_handling import DEBUG
from benchlog.cli.host_faults import address_fault
from benchlog.errors import BenchlogError, UsageError

COMMANDS: Final = {
    "help": "Read the manual: topics, or one page.",
    "demo": "Measure a simulated device on a simulated bench.",
    "doctor": "Find what is missing on this computer, and how to get it.",
    "ports": "List serial ports, VISA resources, what could be an instrument.",
    "bench": "List benches, or make a new one.",
    "check-bench": "Ask each instrument of a bench for its identity and one reading.",
    "parts": "List the parts and what their data sheets promise, or add one.",
    "defaults": "Set the bench and the part to use when none is named.",
    "refcheck": "Check a counter's time base, or whether the bench has moved.",
    "measure": "Measure one device and judge it against its part.",
    "soak": "Measure for a night or a month; every gap is explained.",
    "inspect": "Inspect a lot: draw a sample, accept or reject.",
    "sequences": "List the test sequences for a rack, or show one.",
    "qualify": "Take a rack of devices through a test sequence.",
    "runs": "List the runs in the database.",
    "devices": "List the devices in the database.",
    "show": "Show one run's figures, uncertainty budget and events.",
    "results": "List each device's newest run that counts; also as CSV.",
    "lots": "List lots and their decisions, of a database or a dataset.",
    "watch": "Watch any run live, even one started elsewhere.",
    "stop": "Stop a run, even one started in another terminal.",
    "stability": "Show a deviation against averaging time.",
    "hat": "Tell devices' own stability apart: the three-cornered hat.",
    "temperature": "Fit how a device follows ambient temperature.",
    "ageing": "Fit how a device drifts with time.",
    "response": "Show how warming, cooling or a supply change moved a device.",
    "chips": "Compare the devices of a lot: ranking, spread, common shift.",
    "trim": "Find the trim code that brings an RC oscillator closest.",
    "fitness": "Tell what a source will do for, or what a use requires.",
    "compare": "Compare runs: do they really differ?",
    "report": "Write a page of a run, a lot or a reference check: HTML or PDF.",
    "judge": "Judge a run again: other part, later reference check.",
    "void": "Say that a run does not count, and why.",
    "correct": "Correct what was mistyped: device, part, lot, operator, marks.",
    "simulate": "Run the simulated instruments alone.",
    "import": "Read frequency data made elsewhere into a run.",
    "export": "Write a run's readings to a file.",
    "backup": "Copy the database while it is in use.",
    "check": "Check a database for damage; put damaged runs aside.",
    "merge": "Merge the runs of other databases into this one.",
    "forward": "Send what is measured on to PostgreSQL or an object store.",
    "completion": "Print the completion script for your shell.",
}
"""Command name to short help, in the order in which a bench day needs them."""

GROUPS: Final = {
    "Learn, without instruments": ("demo", "simulate", "help", "completion"),
    "Set up, once for a bench and once for a part": (
        *("doctor", "ports", "bench", "check-bench"),
        *("parts", "defaults", "refcheck"),
    ),
    "Measure one device": ("measure", "soak", "watch", "stop", "trim"),
    "Judge a lot": ("inspect", "lots", "chips"),
    "Qualify a rack of devices": ("sequences", "qualify"),
    "Look at what was measured": ("runs", "show", "devices", "results", "compare"),
    "Find out how a device behaves, and what it is good for": (
        *("stability", "hat", "temperature", "ageing", "response", "fitness"),
    ),
    "Judge again, and correct mistakes": ("judge", "void", "correct"),
    "Write records, exchange files, keep the database safe": (
        *("report", "export", "import", "backup", "check", "merge", "forward"),
    ),
}
"""What one does in a day, and the commands for it; each command stands in one group."""

HELP_NAMES: Final = ("-h", "--help")

GIVING_WAY: Final = frozenset(
    {
        *("runs", "devices", "show", "results", "lots", "watch", "stability", "hat"),
        *("temperature", "ageing", "response", "chips", "fitness", "compare", "report"),
        *("judge", "import", "export", "backup", "check", "merge"),
    }
)
"""Commands that let a keeper of their database go first. None of them starts one."""

Function = Callable[..., Any]

_JSON: Final = click.Option(
    ["--json", "as_json"], is_flag=True, help="Print one JSON document, nothing else."
)
_DEFAULT_DB: Final = "BENCHLOG_DB, else one in your data folder"


class WithExamples(click.Command):
    """Help that ends with examples, and before them what else is understood."""

    examples: tuple[str, ...] = ()
    more: tuple[str, tuple[tuple[str, str], ...]] = ("", ())
    """A heading, and rows of two columns under it."""

    def __init__(self, *args: Any, **settings: Any) -> None:
        """Let its help have the same names by itself as under `benchlog`.

        A command keeps its help option from when it was first asked for, whoever asked.
        """
        super().__init__(*args, **settings)
        own = self.context_settings
        self.context_settings = {"help_option_names": list(HELP_NAMES), **own}

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command; an address where a file is wanted is refused first."""
        values = [
            one
            for value in ctx.params.values()
            for one in (value if isinstance(value, tuple) else (value,))
        ]
        fault = address_fault(values)
        if fault:
            raise UsageError(fault)
        if self.name in GIVING_WAY:
            _give_way(ctx)
        try:
            return super().invoke(ctx)
        except (BenchlogError, click.ClickException, OSError, MemoryError):
            raise
        except (click.exceptions.Exit, click.Abort):
            raise
        except Exception as error:
            damage = _damage_behind(ctx)
            if damage is None:
                raise
            raise damage from error

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Print the examples line by line."""
        del ctx
        heading, rows = self.more
        if rows:
            with formatter.section(heading):
                formatter.write_dl(rows)
        write_examples(formatter, self.examples)


def _give_way(ctx: click.Context) -> None:
    """Do what the process has for giving way, if a keeper listens at the database."""
    from benchlog.cli.database import database
    from benchlog.priority import keeper_beside

    if ctx.obj is not None and keeper_beside(database(ctx.params.get("db"))):
        ctx.obj()


def _damage_behind(ctx: click.Context) -> BenchlogError | None:
    """Return what is wrong with the database that a command was about, if anything."""
    if "db" not in ctx.params:
        return None
    from benchlog.cli.database import damage_behind

    return damage_behind(ctx.params["db"])


class Group(WithExamples, click.Group):
    """A command with commands of its own."""

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Name the commands there are when there is none of this name."""
        name = args[0]
        if name not in self.commands and not name.startswith("-"):
            known = " or ".join(f"`{self.name} {one}`" for one in self.commands)
            ctx.fail(f"`{self.name}` has no command {name!r}; write {known}")
        return super().resolve_command(ctx, args)


def command(
    name: str,
    *,
    examples: tuple[str, ...],
    figures: bool = True,
    default_db: str = _DEFAULT_DB,
) -> Callable[[Function], WithExamples]:
    """Make the command that `COMMANDS` lists as `name`.

    The function gets `db: Path | None` and, where it yields `figures`, `as_json: bool`.
    `default_db` is what `--help` names where `db` is None.
    """

    def decorate(function: Function) -> WithExamples:
        make = click.command(name, cls=WithExamples, short_help=COMMANDS.get(name))
        made = make(function)
        made.params += common_options(figures, default_db)
        made.examples = examples
        return made

    return decorate


def common_options(
    figures: bool, default_db: str = _DEFAULT_DB
) -> list[click.Parameter]:
    """Return `--db`, `--debug` and, where figures come, `--json`."""
    db = click.Option(
        ["--db"],
        type=click.Path(path_type=Path, dir_okay=False),
        metavar="FILE",
        help=f"The database [default: {default_db}].",
    )
    return [*([_JSON] if figures else []), db, DEBUG]


def write_examples(formatter: click.HelpFormatter, examples: Sequence[str]) -> None:
    """Write the section `Examples`, one command a line, never wrapped."""
    with formatter.section("Examples"):
        for line in examples:
            formatter.write(f"{'':>{formatter.current_indent}}{line}\n")
