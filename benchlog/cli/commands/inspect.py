"""`benchlog inspect`: a lot, device after device; its sample decides."""

from pathlib import Path
from typing import Any, Final

import click

from benchlog.cli import options
from benchlog.cli.command import command as make_command
from benchlog.cli.database import database
from benchlog.cli.typed_values import CatalogueName, FiniteNumber, Text

EXAMPLES = (
    "benchlog inspect --bench corner-bench --part quartz-16mhz-30ppm --lot B2207 \\",
    "    --lot-size 500 --aql 0.65",
    "benchlog inspect --lot B2207",
    "benchlog inspect --lot B2207 --ids - --json < ids.txt",
    "benchlog inspect --lot B2207 --result",
)
LEVELS: Final = ("S-1", "S-2", "S-3", "S-4", "I", "II", "III")
SEVERITIES: Final = ("normal", "tightened", "reduced")


@make_command("inspect", examples=EXAMPLES)
@click.option("--lot", required=True, type=Text(), help="The name of the delivery.")
@click.option(
    "--bench", type=CatalogueName("benches"), help="Name or path; kept with the lot."
)
@click.option(
    "--part", type=CatalogueName("parts"), help="Name or path; kept with the lot."
)
@options.described
@click.option("--lot-size", type=click.IntRange(2), help="Devices delivered.")
@click.option("--aql", type=FiniteNumber(above=0), help="AQL in percent, e.g. 0.65.")
@click.option("--level", type=click.Choice(LEVELS), help="Inspection level [II].")
@click.option(
    "--severity",
    type=click.Choice(SEVERITIES),
    help="[by the supplier's lots before, else normal]",
)
@click.option(
    "--steady",
    is_flag=True,
    help="Production is steady: reduced inspection as soon as it is earned.",
)
@click.option("--sample", type=click.IntRange(1), help="A plan of your own: n.")
@click.option(
    "--accept",
    type=click.IntRange(0),
    help="Acceptance number c: defective devices allowed.",
)
@click.option("--full", is_flag=True, help="Measure the whole lot.")
@click.option(
    "--undecided",
    type=click.Choice(("open", "defective")),
    help="What an undecided device counts as [open].",
)
@click.option("--supplier", type=Text(), help="Who supplied it.")
@click.option("--order", type=Text(), help="The order number of the delivery.")
@click.option(
    "--ids",
    type=click.Path(path_type=Path, dir_okay=False, exists=True, allow_dash=True),
    help="Device ids or codes of labels, one a line; - is standard input. An id means: "
    "it is in.",
)
@click.option("--auto-ids", type=Text(), metavar="PREFIX", help="Number the devices.")
@click.option("--again", is_flag=True, help="Measure undecided devices again.")
@click.option("--min-readings", type=click.IntRange(5), help="For each device [10].")
@click.option("--max-readings", type=click.IntRange(5), help="For each device [300].")
@click.option(
    "--position",
    "positions",
    type=Text(),
    multiple=True,
    help="Only this position, or these [all, side by side].",
)
@options.gate
@options.operator
@click.option("--note", type=Text(), help="Kept with each run.")
@options.load
@options.supply
@options.over_temperature
@options.alone
@options.no_screen
@click.option(
    "--bell", is_flag=True, help="Ring once for pass, twice for fail, thrice otherwise."
)
@click.option(
    "--result", is_flag=True, help="Show how the lot stands; measure nothing."
)
@click.pass_context
def command(
    ctx: click.Context, /, db: Path | None, as_json: bool, **typed: Any
) -> None:
    """Draw a sample from a lot, measure it, accept or reject the lot.

    The plan comes from --lot-size and --aql (MIL-STD-105E / ISO 2859-1, single
    sampling), from --sample and --accept, or is --full. It stays with the lot:
    `inspect --lot L` goes on where it stopped, also after a crash. A new lot without
    --bench or --part takes your defaults (`benchlog defaults`).

    Exit code: 0 lot accepted, 3 rejected, 4 open.
    """
    from benchlog.cli.tasks.bench_and_part import described
    from benchlog.cli.tasks.inspecting import Wish, carry_out

    manner = {name: typed.pop(name) for name in ("no_screen", "bell", "result")}
    ctx.exit(
        carry_out(Wish(**described(typed)), database(db), as_json=as_json, **manner)
    )
