"""`benchlog watch`: the live screen on a run, wherever its keeper is."""

from pathlib import Path
from typing import Any

import click

from benchlog.cli.command import command as make_command
from benchlog.cli.database import chosen_run, database, reading
from benchlog.cli.printing import in_terminal
from benchlog.cli.typed_values import RunId, Text
from benchlog.errors import UsageError

EXAMPLES = (
    "benchlog watch",
    "benchlog watch 12 --bell",
    "benchlog watch 12 --serve",
    "benchlog watch --metrics 8643",
    "benchlog watch --print alert-rules > alert-rules.yml",
)


@make_command("watch", examples=EXAMPLES, figures=False)
@click.argument("run", type=RunId(), required=False)
@click.option("--bell", is_flag=True, help="Ring when the verdict becomes clear.")
@click.option("--serve", "in_browsers", is_flag=True, help="Show it in browsers.")
@click.option(
    "--host",
    default="127.0.0.1",
    show_default=True,
    type=Text(),
    help="With --serve: where to listen; the default is this computer alone.",
)
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=8642,
    show_default=True,
    help="With --serve.",
)
@click.option("--look-only", is_flag=True, help="No key changes anything in the run.")
@click.option(
    "--metrics",
    type=Text(),
    metavar="ADDRESS",
    help="Show no screen; serve figures of all runs that go on at /metrics, as 8643 or "
    "HOST:8643.",
)
@click.option(
    "--print",
    "printed",
    type=click.Choice(("dashboard", "alert-rules")),
    help="Print a file for the programs that read /metrics.",
)
@click.option("--in-browser", is_flag=True, hidden=True)
def command(run: int | None, db: Path | None, **typed: Any) -> None:
    """Watch RUN (the latest one if left out) on a live screen.

    Watching costs the run nothing: it reads the database, and leaving the screen leaves
    the run alone. With --serve the same screen is shown in browsers, to whoever has the
    address that is printed; with --look-only nothing can be changed from there. The
    figures are at /metrics there, too, in the OpenMetrics text format, with the same
    key. With --metrics they are served alone and without a key, to this computer unless
    a host is named.
    """
    if typed["printed"] is not None:
        from benchlog.metrics.files import text_of_file

        click.echo(text_of_file(typed["printed"]), nl=False)
        return
    if typed["metrics"] is not None:
        from benchlog.cli.tasks.metrics_told import serve_metrics

        serve_metrics(database(db), typed["metrics"])
        return
    if not (typed["in_browsers"] or typed["in_browser"] or in_terminal()):
        raise UsageError(
            "watch needs a terminal that can show a full screen (TERM=dumb cannot); "
            "`benchlog show` prints the figures without one"
        )
    with reading(db) as reader:
        number = chosen_run(reader, run).id
    if typed["in_browsers"]:
        from benchlog.cli.tasks.browser_server import ServedScreens, serve

        how = {name: typed[name] for name in ("host", "port", "look_only")}
        serve(ServedScreens(database(db), number, **how))
        return
    from benchlog.cli.tasks.with_screen import watch_in_browser, watch_run

    if typed["in_browser"]:
        watch_in_browser(database(db), number, look_only=typed["look_only"])
    else:
        how = {"bell": typed["bell"], "look_only": typed["look_only"]}
        watch_run(database(db), number, **how)
