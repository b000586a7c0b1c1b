"""`benchlog soak`: a long run that nothing stops, and going on with one."""

from pathlib import Path
from typing import Any

import click

from benchlog.cli import options
from benchlog.cli.command import command as make_command
from benchlog.cli.database import database
from benchlog.cli.typed_values import (
    DeviceId,
    Duration,
    RunId,
    Text,
)

EXAMPLES = (
    "benchlog soak --bench corner-bench --part quartz-16mhz-30ppm --device KX-0412 \\",
    "    --until 07:30",
    "benchlog soak --resume 12",
    "benchlog soak --resume-last",
    "benchlog soak --bench corner-bench --part quartz-16mhz-30ppm --device KX-0412 \\",
    "    --for 30d --resume-last --no-screen --metrics 8643",
)


@make_command("soak", examples=EXAMPLES)
@options.bench
@options.part
@options.described
@click.option(
    "--device",
    "devices",
    type=DeviceId(),
    multiple=True,
    help="The id written on the device.",
)
@options.positions
@click.option(
    "--for", "for_s", type=Duration(), help="End after a time, e.g. 12h; pauses count."
)
@click.option(
    "--until",
    type=Text(),
    help="End at a local time, e.g. 07:30 or 2026-11-30T07:30.",
)
@click.option("--resume", type=RunId(), help="Go on with this run where it broke off.")
@click.option(
    "--resume-last",
    is_flag=True,
    help="Go on with the last soak that broke off; with --bench: else begin one.",
)
@click.option(
    "--trust",
    is_flag=True,
    help="With --resume...: also a run from elsewhere, after its instruments and "
    "programs have been shown; a terminal asks.",
)
@options.of_a_run
@options.no_screen
@click.option(
    "--end-with-terminal", is_flag=True, help="End when the terminal is closed."
)
@options.bell
@click.option(
    "--metrics",
    type=Text(),
    metavar="ADDRESS",
    help="Serve the figures at /metrics while it goes on, as 8643 or HOST:8643.",
)
@click.pass_context
def command(
    ctx: click.Context, /, db: Path | None, as_json: bool, **typed: Any
) -> None:
    """Measure a device for a long time; whatever happens becomes an event.

    Without --for or --until it goes on until it is stopped. It waits for instruments
    that do not answer yet, and says so. It outlives its terminal; `benchlog watch`
    shows it from anywhere, `benchlog show` says how the night was. --metrics serves its
    figures in the OpenMetrics text format, to this computer unless a host is named.

    A run that broke off (power, a killed process, Ctrl-C) goes on as the same run, with
    the gap in its events. Its length still counts from its beginning; with --resume,
    --for and --until set a new end. Alarms are those of the bench file here. A run that
    was merged, or is in a database that was copied or begun on another computer or by
    another user, could open and start anything: it goes on only with --trust, and what
    it would use is shown first.
    """
    from benchlog.cli.tasks.measuring import Manner
    from benchlog.cli.tasks.soaking import carry_out

    shown = {name: typed.pop(name) for name in ("no_screen", "bell")}
    go_on = not typed.pop("end_with_terminal")
    metrics = typed.pop("metrics")
    manner = Manner(database=database(db), as_json=as_json, go_on=go_on, **shown)
    if metrics is None:
        ctx.exit(carry_out(typed, manner))
    from benchlog.cli.tasks.metrics_told import metrics_beside

    with metrics_beside(manner.database, metrics):
        ctx.exit(carry_out(typed, manner))
