"""`benchlog refcheck`: a time base against a reference, or a check standard."""

from pathlib import Path
from typing import Any

import click

from benchlog.cli import options
from benchlog.cli.command import command as make_command
from benchlog.cli.database import database
from benchlog.cli.typed_values import CatalogueName, Duration, Text

EXAMPLES = (
    "benchlog refcheck --bench corner-bench",
    "benchlog refcheck --bench corner-bench --for 1h --valid-for 90d --json",
    "benchlog refcheck --bench corner-bench --standard OX-7 --part ocxo-10mhz-20ppb",
)


@make_command("refcheck", examples=EXAMPLES)
@options.bench
@click.option(
    "--for",
    "for_s",
    type=Duration(),
    default="10m",
    show_default=True,
    help="How long to compare.",
)
@click.option(
    "--valid-for",
    "valid_s",
    type=Duration(),
    help="How long it holds; else by the stated ageing, 30 days without.",
)
@click.option(
    "--insist", is_flag=True, help="Keep the check even if the time base still drifts."
)
@click.option(
    "--standard",
    type=Text(),
    help="Measure this check standard instead: has the bench moved?",
)
@click.option(
    "--part", type=CatalogueName("parts"), help="The standard's part, the first time."
)
@click.option("--position", type=Text(), help="Where the standard sits.")
@click.option("--operator", type=Text(), help="Who checks.")
@click.pass_context
def command(
    ctx: click.Context, /, db: Path | None, as_json: bool, **typed: Any
) -> None:
    """Check the time base of a bench's counter against its [reference].

    The bench file says how the reference is wired: the counter times its pulse, the
    counter measures its frequency, or this computer compares its pulses with the time
    base divided down. The check is kept with the counter's serial number and corrects
    every later run until it is stale. While the time base still warms up nothing is
    kept, unless you insist.

    With --standard a stable source is measured as a device is, and its control chart
    tells whether the bench has moved since it was measured before.

    Exit code: 0 kept (or: the bench has not moved), 4 not kept, 3 moved.
    """
    from benchlog.cli.tasks.bench_and_part import recalled_bench
    from benchlog.cli.tasks.check_standard import check_standard
    from benchlog.cli.tasks.reference_check import check_timebase

    path = database(db)
    typed["bench"] = recalled_bench(typed["bench"])
    carry_out = check_timebase if typed["standard"] is None else check_standard
    ctx.exit(carry_out(typed, path, as_json))
