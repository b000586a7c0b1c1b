"""The root command: knows every command's name and short help, imports none of them.

`benchlog --help`, a typing error and shell completion must be quick, so the table
in command.py holds what they print.
"""

import importlib
from collections.abc import Iterator
from typing import Final

import click
from click.shell_completion import CompletionItem

from benchlog.cli.command import COMMANDS, GROUPS, HELP_NAMES, write_examples
from benchlog.cli.error_handling import DEBUG, told
from benchlog.errors import nearest_hint
from benchlog.version import __version__

EXAMPLES: Final = (
    "benchlog demo",
    "benchlog bench new",
    "benchlog measure --nominal 12MHz --tolerance 20ppm --device KX-0412",
)


def module_of(command: str) -> str:
    """Return the module that holds a command, by its name on the command line."""
    name = command.replace("-", "_")
    file = f"{name}_" if name == "import" else name
    return f"benchlog.cli.commands.{file}"


class LazyGroup(click.Group):
    """A group whose commands are imported one at a time, when typed."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click's signature
        """Return the commands' names in the order of a bench day."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002 - click's signature
        """Import the module of one command and return the command."""
        if cmd_name not in COMMANDS:
            return None
        command = importlib.import_module(module_of(cmd_name)).command
        assert isinstance(command, click.Command)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Name the nearest command when there is none of this name."""
        name = args[0]
        if name not in COMMANDS and not name.startswith("-"):
            hint = nearest_hint(name, COMMANDS)
            ctx.fail(f"there is no command {name!r}; expected {hint}")
        return super().resolve_command(ctx, args)

    def format_commands(
        self, ctx: click.Context, formatter: click.HelpFormatter
    ) -> None:
        """Print the stored short help; the stock method would import every command."""
        del ctx
        column = max(map(len, COMMANDS))
        for heading, names in GROUPS.items():
            with formatter.section(heading):
                rows = [(f"{name:<{column}}", COMMANDS[name]) for name in names]
                formatter.write_dl(rows)
        formatter.write_paragraph()
        formatter.write_text("`benchlog help` lists the topics of the manual.")

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Print the examples line by line."""
        del ctx
        write_examples(formatter, EXAMPLES)

    def shell_complete(
        self, ctx: click.Context, incomplete: str
    ) -> list[CompletionItem]:
        """Complete command names from the table, options as click does."""
        if incomplete.startswith("-"):
            return super().shell_complete(ctx, incomplete)
        return list(_completions(incomplete))

    def invoke(self, ctx: click.Context) -> object:
        """Run the command; our errors become a sentence and an exit code."""
        with told(ctx):
            return super().invoke(ctx)


def _completions(incomplete: str) -> Iterator[CompletionItem]:
    for name, text in COMMANDS.items():
        if name.startswith(incomplete):
            yield CompletionItem(name, help=text)


@click.command(
    cls=LazyGroup,
    name="benchlog",
    params=[DEBUG],
    context_settings={"help_option_names": list(HELP_NAMES)},
)
@click.version_option(__version__, prog_name="benchlog", message="%(prog)s %(version)s")
def root() -> None:
    """Measure clock sources on the bench: offset, jitter, verdict, every reading kept.

    Figures go to standard output, narration to standard error. Exit codes: 0 done or
    pass, 1 error, 2 bad usage, 3 fail, 4 undecided.
    """
