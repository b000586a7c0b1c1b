"""Options that several commands have, word for word."""

from collections.abc import Callable
from typing import Any, Final

import click
from click.core import ParameterSource

from benchlog.cli.typed_seconds import Seconds
from benchlog.cli.typed_values import (
    CatalogueName,
    DatasetAddress,
    FiniteNumber,
    Frequency,
    SupplyVolts,
    Text,
    Tolerance,
)
from benchlog.errors import UsageError

Decorator = Callable[[Callable[..., Any]], Callable[..., Any]]

DEMO_PART: Final = "quartz-16mhz-30ppm"
KINDS: Final = (
    *("rc", "quartz", "tuning-fork", "ceramic"),
    *("tcxo", "ocxo", "mems", "other"),
)

gate: Final = click.option(
    "--gate-s", type=Seconds(above=0), help="Gate, instead of the bench's."
)
operator: Final = click.option("--operator", type=Text(), help="Who measures.")
note: Final = click.option("--note", type=Text(), help="Kept with the run.")
lot: Final = click.option("--lot", type=Text(), help="The lot the device belongs to.")
load: Final = click.option(
    "--load-pf", type=FiniteNumber(above=0), help="Load capacitance, pF."
)
supply: Final = click.option(
    "--supply-v", type=SupplyVolts(), help="Supply voltage, V."
)
over_temperature: Final = click.option(
    "--over-temperature",
    is_flag=True,
    help="Judge against tolerance and stability together, at the present ambient.",
)
alone: Final = click.option(
    "--alone", is_flag=True, help="Rest on no soak: U from the run's own readings."
)
dataset_option: Final = click.option(
    "--dataset",
    type=DatasetAddress(exists=True),
    metavar="ADDRESS",
    help="Of a dataset that `export --dataset` wrote, instead of a database.",
)
no_screen: Final = click.option(
    "--no-screen", is_flag=True, help="Print plain lines instead of the screen."
)
bell: Final = click.option(
    "--bell", is_flag=True, help="Ring when the verdict becomes clear."
)
positions: Final = click.option(
    "--position",
    "positions",
    type=Text(),
    multiple=True,
    help="Where it sits; with several, one --device for each.",
)
simulated_part: Final = click.option(
    "--part",
    type=CatalogueName("parts"),
    help=f"What the device is [{DEMO_PART}].",
)


bench: Final = click.option(
    "--bench",
    type=CatalogueName("benches"),
    help="Name or path [your default, see `benchlog defaults`].",
)
part: Final = click.option(
    "--part",
    type=CatalogueName("parts"),
    help="Name or path [your default, see `benchlog defaults`].",
)


def check_one_form(*, as_json: bool, as_csv: bool) -> None:
    """Raise UsageError where JSON and comma-separated values are asked for at once."""
    if as_json and as_csv:
        raise UsageError(
            "--json prints one document; leave out --csv and --out, or --json"
        )


def is_typed(name: str) -> bool:
    """Whether a person typed an option: it is no default, nor of the environment."""
    source = click.get_current_context().get_parameter_source(name)
    return source is ParameterSource.COMMANDLINE


def several(*options: Decorator) -> Decorator:
    """Return these options as one decorator, in the order of the help."""

    def decorate(function: Callable[..., Any]) -> Callable[..., Any]:
        for option in reversed(options):
            function = option(function)
        return function

    return decorate


described: Final = several(
    click.option(
        "--nominal", type=Frequency(), help="In place of --part, e.g. 12MHz or 32.768k."
    ),
    click.option(
        "--tolerance", type=Tolerance(), help="With --nominal, e.g. 20ppm or 0.5%."
    ),
    click.option(
        "--kind",
        type=click.Choice(KINDS),
        metavar="KIND",
        help=f"With --nominal: {', '.join(KINDS)} [other].",
    ),
)
"""A part that is described in a few words instead of named."""
of_a_run: Final = several(gate, operator, note, lot, load, supply, over_temperature)
"""What is said of a run beside bench, part, device and length."""
