"""`benchlog sequences`: what a rack of devices can be taken through."""

from pathlib import Path

import click

from benchlog.cli.command import COMMANDS, Group, common_options
from benchlog.cli.command import command as make_command
from benchlog.cli.printing import pairs, print_json, say, table
from benchlog.cli.typed_values import CatalogueName
from benchlog.errors import ConfigError

EXAMPLES = (
    "benchlog sequences",
    "benchlog sequences list --json",
    "benchlog sequences show temperature-five-points",
)


@click.group(
    "sequences",
    cls=Group,
    short_help=COMMANDS["sequences"],
    invoke_without_command=True,
)
@click.pass_context
def command(ctx: click.Context, db: Path | None, as_json: bool) -> None:
    """List the test sequences for a rack of devices, or show one.

    Sequences are TOML files: those that ship with benchlog, yours in the folder
    `sequences` of your configuration folder, and those in ./configs/sequences.
    """
    del db
    if ctx.invoked_subcommand is None:
        _list_all(as_json)


command.examples = EXAMPLES
command.params += common_options(figures=True)


@make_command("list", examples=EXAMPLES[:2])
def list_(db: Path | None, as_json: bool) -> None:
    """List every sequence."""
    del db
    _list_all(as_json)


@make_command("show", examples=EXAMPLES[2:])
@click.argument("sequence", metavar="ID", type=CatalogueName("sequences"))
def show(sequence: str, db: Path | None, as_json: bool) -> None:
    """Show the steps of one sequence; ID may be a path."""
    del db
    from benchlog.catalogue import load_sequence
    from benchlog.cli.tasks.sequence_text import STEP_HEADERS, step_rows
    from benchlog.model import CHARACTERISTICS
    from benchlog.units import as_stated, format_duration

    found = load_sequence(sequence)
    if as_json:
        print_json(found, "sequence")
        return
    rule = found.settled
    settled = (
        f"device {as_stated(rule.device_ppm_per_min)} ppm/min, probe "
        f"{as_stated(rule.probe_c_per_min)} C/min and within "
        f"{as_stated(rule.probe_band_c)} C, over {format_duration(rule.window_s)}"
    )
    finds = "; ".join(f"{one}: {CHARACTERISTICS[one]}" for one in found.finds)
    rows = (
        ("sequence", found.id),
        ("title", found.title),
        ("source", found.source),
        ("finds", finds),
        ("settled when", settled),
        ("note", found.note),
        ("file", found.file),
    )
    click.echo(pairs([(name, text) for name, text in rows if text]))
    click.echo()
    click.echo(table(STEP_HEADERS, list(step_rows(found)), "lllll"))


command.add_command(list_)
command.add_command(show)
show.short_help = "Show the steps of one sequence."


def _list_all(as_json: bool) -> None:
    """Print every sequence; a file with problems is named on standard error.

    Raises ConfigError when no sequence file can be used.
    """
    from benchlog.catalogue import list_sequences

    found, problems = list_sequences()
    if problems and not found:
        raise ConfigError(problems)
    for problem in problems:
        say(f"left out: {problem}")
    if as_json:
        print_json(found, "sequence")
        return
    click.echo(table(("sequence", "title"), [(one.id, one.title) for one in found]))
