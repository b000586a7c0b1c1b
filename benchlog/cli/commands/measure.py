"""`benchlog measure`: one device (or one at each position), judged against its part."""

from pathlib import Path
from typing import Any

import click

from benchlog.cli import options
from benchlog.cli.command import command as make_command
from benchlog.cli.database import database
from benchlog.cli.typed_values import DeviceId, Duration

EXAMPLES = (
    "benchlog measure --bench corner-bench --part quartz-16mhz-30ppm --device KX-0412",
    "benchlog measure --bench corner-bench --part tuning-fork-32khz-20ppm \\",
    "    --device TF-0031 --for 10m --load-pf 12.5 --operator 'M. Okwuosa'",
    "benchlog measure --nominal 12MHz --tolerance 20ppm --kind quartz --device Y1",
    "benchlog measure --bench twin-bench --part rc-8mhz-trimmed \\",
    "    --position A --device RC-101 --position B --device RC-102 --json",
)


@make_command("measure", examples=EXAMPLES)
@options.bench
@options.part
@options.described
@click.option(
    "--device",
    "devices",
    type=DeviceId(),
    multiple=True,
    help="The id written on the device; asked in a terminal when left out.",
)
@options.positions
@click.option("--readings", type=click.IntRange(1, 10**9), help="End after N readings.")
@click.option(
    "--for", "for_s", type=Duration(), help="End after a time, e.g. 10m; pauses count."
)
@options.of_a_run
@options.alone
@options.no_screen
@click.option("--go-on", is_flag=True, help="Continue when the terminal is closed.")
@options.bell
@click.pass_context
def command(
    ctx: click.Context, /, db: Path | None, as_json: bool, **typed: Any
) -> None:
    """Measure a device and judge it against its part.

    Without --readings or --for the run ends when the verdict is clear: after at least
    10 readings, at most 300 readings or 5 min. Every reading is in the database before
    it is shown.

    A part that has no file is described: --nominal with --tolerance, and --kind.

    Exit code: 0 pass, 3 fail, 4 undecided or interrupted; the worst of several
    positions, for which --json prints a list.
    """
    from benchlog.cli.tasks.bench_and_part import measured_with
    from benchlog.cli.tasks.measuring import Manner, carry_out
    from benchlog.cli.tasks.planning import MeasureRequest

    shown = {name: typed.pop(name) for name in ("no_screen", "go_on", "bell")}
    manner = Manner(database=database(db), as_json=as_json, **shown)
    typed = measured_with(typed)
    ctx.exit(carry_out(MeasureRequest(**typed), manner))
