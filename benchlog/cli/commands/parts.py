"""`benchlog parts`: the catalogue of what data sheets promise."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from benchlog.cli import options
from benchlog.cli.command import COMMANDS, Group, common_options
from benchlog.cli.command import command as make_command
from benchlog.cli.printing import in_terminal, pairs, print_json, say, table
from benchlog.cli.typed_values import CatalogueName, FiniteNumber, Text
from benchlog.errors import ConfigError
from benchlog.units import (
    as_stated,
    format_frequency,
)

if TYPE_CHECKING:
    from benchlog.model import Limits, Part, TemperatureLaw

EXAMPLES = (
    "benchlog parts",
    "benchlog parts list --json",
    "benchlog parts show quartz-16mhz-30ppm",
    "benchlog parts new",
    "benchlog parts new my-crystal --nominal 12MHz --tolerance 20ppm --kind quartz \\",
    "    --stability 50ppm --range '-20 to 70' --folder here",
)


@click.group(
    "parts", cls=Group, short_help=COMMANDS["parts"], invoke_without_command=True
)
@click.pass_context
def command(ctx: click.Context, db: Path | None, as_json: bool) -> None:
    """List the part catalogue, show one part of it, or make a new one.

    Parts are TOML files: those that ship with benchlog, yours in the folder `parts` of
    your configuration folder, and those in ./configs/parts.
    """
    del db
    if ctx.invoked_subcommand is None:
        list_all(as_json)


command.examples = EXAMPLES
command.params += common_options(figures=True)


@make_command("list", examples=EXAMPLES[:2])
def list_(db: Path | None, as_json: bool) -> None:
    """List every part of the catalogue."""
    del db
    list_all(as_json)


@make_command("show", examples=EXAMPLES[2:3])
@click.argument("part", metavar="ID", type=CatalogueName("parts"))
def show(part: str, db: Path | None, as_json: bool) -> None:
    """Show all that the data sheet of one part promises; ID may be a path."""
    del db
    from benchlog.catalogue import load_part

    found = load_part(part)
    if as_json:
        print_json(found, "part")
    else:
        click.echo(pairs(_promises(found)))


@make_command("new", examples=EXAMPLES[3:], figures=False)
@click.argument("id", metavar="[ID]", required=False, type=Text())
@click.option("--nominal", type=Text(), help="Nominal frequency, e.g. 12MHz.")
@click.option("--tolerance", type=Text(), help="+- at 25 C, e.g. 20ppm or 0.5%.")
@click.option("--kind", type=click.Choice(options.KINDS), help="What it is.")
@click.option("--title", type=Text(), help="What a person calls it.")
@click.option(
    "--reference-c",
    type=FiniteNumber(),
    default=25.0,
    show_default=True,
    help="Where the tolerance holds.",
)
@click.option("--stability", type=Text(), help="Over --range, e.g. 50ppm, or none.")
@click.option("--range", type=Text(), help="In C, e.g. '-20 to 70'.")
@click.option("--ageing", type=Text(), help="In a year, e.g. 5ppm, or none.")
@click.option("--jitter", type=Text(), help="Rms at the gate in use, e.g. 0.5ppm.")
@click.option("--load-pf", type=FiniteNumber(above=0), help="A crystal's, in pF.")
@click.option(
    "--folder",
    type=click.Choice(["here", "user"]),
    help="Into ./configs/parts, or your configuration folder.",
)
@click.option(
    "--out", type=click.Path(path_type=Path, dir_okay=False), help="Or into this file."
)
@click.option("--overwrite", is_flag=True, help="Replace a file that exists.")
@click.option("--dry-run", is_flag=True, help="Print the file; write nothing.")
def new(db: Path | None, **wish: Any) -> None:
    """Make a part file: ask what the data sheet promises, write it with comments.

    Every question can be answered by an option; without a terminal nothing is asked,
    and nothing is promised that was not given. A file that exists stays, unless you
    agree or give --overwrite.
    """
    del db
    from benchlog.cli.tasks.part_setup.new_part import PartWish, make_part

    make_part(PartWish(**wish), interactive=in_terminal() and not wish["dry_run"])


command.add_command(list_)
command.add_command(show)
command.add_command(new)
new.short_help = "Ask what a data sheet promises, write the part file."
show.short_help = "Show all that the data sheet of one part promises."


def list_all(as_json: bool) -> None:
    """Print every part; a file with problems is named on standard error.

    Raises ConfigError when no part file can be used.
    """
    from benchlog.catalogue import list_parts

    parts, problems = list_parts()
    if problems and not parts:
        raise ConfigError(problems)
    for problem in problems:
        say(f"left out: {problem}")
    if as_json:
        print_json(parts, "part")
    else:
        headers = ("part", "nominal", "tolerance ppm", "stability ppm", "title")
        click.echo(table(headers, [_row(part) for part in parts], "lrrr"))


def _row(part: "Part") -> tuple[str, ...]:
    limits = part.limits
    stability = "-" if limits.stability_ppm is None else as_stated(limits.stability_ppm)
    nominal = format_frequency(part.nominal_hz)
    return part.id, nominal, as_stated(limits.tolerance_ppm), stability, part.title


def _promises(part: "Part") -> list[tuple[str, str]]:
    limits = part.limits
    at = f"at {as_stated(limits.reference_c)} +-{as_stated(limits.reference_band_c)} C"
    rows = [
        ("part", part.id),
        ("title", part.title),
        ("kind", part.kind),
        ("nominal", format_frequency(part.nominal_hz)),
        ("tolerance", f"{as_stated(limits.tolerance_ppm)} ppm {at}"),
        ("stability", _stability(limits)),
        ("ageing", _figure(limits.ageing_ppm_per_year, "ppm a year")),
        ("jitter", _figure(limits.jitter_ppm, "ppm rms at the gate in use")),
        *_conditions(part),
        ("temperature", _law(part.temperature)),
        ("load", _figure(part.load.load_pf, "pF")),
        ("shunt C0", _figure(part.load.shunt_c0_pf, "pF")),
        ("motional C1", _figure(part.load.motional_c1_ff, "fF")),
        ("notes", part.notes.strip()),
        ("file", part.file),
    ]
    return [(name, text) for name, text in rows if text]


def _conditions(part: "Part") -> list[tuple[str, str]]:
    """Return what oscillators promise of power, history, supply, load and control."""
    limits = part.limits
    warm_up = ""
    if limits.warm_up_ppm is not None:
        within = f"+-{as_stated(limits.warm_up_ppm)} ppm of the value after an hour"
        warm_up = f"{within}, from {_figure(limits.warm_up_s, 's')}"
    supply, control, load = part.supply, part.control, part.load.range_pf
    return [
        ("hysteresis", _figure(limits.hysteresis_ppm, "ppm")),
        ("retrace", _figure(limits.retrace_ppm, "ppm after a day without power")),
        ("start-up", _figure(limits.start_up_s, "s")),
        ("warm-up", warm_up),
        ("supply", _over(limits.supply_ppm, supply.range_v if supply else None, "V")),
        ("load change", _over(limits.load_ppm, load, "pF")),
        (
            "adjustment",
            _over(limits.pull_ppm, control.range_v if control else None, "V"),
        ),
        ("linearity", _figure(limits.linearity_percent, "%")),
    ]


def _over(ppm: float | None, ends: tuple[float, float] | None, unit: str) -> str:
    """Return a promise over a range; the range alone where nothing is promised."""
    span = (
        "" if ends is None else f"{as_stated(ends[0])} to {as_stated(ends[1])} {unit}"
    )
    if ppm is None:
        return span
    return f"+-{as_stated(ppm)} ppm from {span}"


def _figure(value: float | None, unit: str) -> str:
    return "" if value is None else f"{as_stated(value)} {unit}"


def _stability(limits: "Limits") -> str:
    if limits.stability_ppm is None:
        return ""
    span = ""
    if limits.range_c is not None:
        span = (
            f" from {as_stated(limits.range_c[0])} to {as_stated(limits.range_c[1])} C"
        )
    return f"{as_stated(limits.stability_ppm)} ppm{span}"


def _law(law: "TemperatureLaw | None") -> str:
    if law is None:
        return "as is usual for the kind"
    terms = (
        _figure(law.linear_ppm_per_c or None, "ppm/C"),
        _figure(law.quadratic_ppm_per_c2 or None, "ppm/C^2"),
        _figure(law.cubic_ppm_per_c3 or None, "ppm/C^3"),
    )
    said = ", ".join(term for term in terms if term)
    return f"{law.law} around {as_stated(law.reference_c)} C: {said or 'flat'}"
