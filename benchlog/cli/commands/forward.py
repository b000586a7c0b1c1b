"""`benchlog forward`: what was measured here, sent on to a central database."""

from pathlib import Path

import click

from benchlog.cli.command import command as make_command
from benchlog.errors import UsageError

EXAMPLES = (
    "benchlog forward --to postgresql://db.example/factory --create",
    "benchlog forward --to postgresql://db.example/factory",
    "benchlog forward --to postgresql://db.example/factory --readings",
    "benchlog forward --to postgresql://db.example/factory --follow",
    "benchlog forward --to postgresql://db.example/factory --status",
)


@make_command("forward", examples=EXAMPLES)
@click.option(
    "--to",
    required=True,
    metavar="ADDRESS",
    help="postgresql://HOST/DATABASE; credentials come from the environment.",
)
@click.option("--readings", is_flag=True, help="Send every reading, too.")
@click.option(
    "--follow", is_flag=True, help="Go on: send what is committed as it comes."
)
@click.option("--status", is_flag=True, help="Only tell what waits, and since when.")
@click.option(
    "--create",
    is_flag=True,
    help="Make the tables, views and roles there, or bring them up to date.",
)
def command(to: str, db: Path | None, as_json: bool, **wish: bool) -> None:
    """Send what is committed in this database on to a central one.

    Runs, devices, lots, verdicts, corrections, events and reference checks go over,
    each once, in batches; what was sent is not sent again. This database stays the
    truth. Credentials come from PGUSER and PGPASSWORD, from ~/.pgpass or from a service
    file, never from the address.
    """
    if wish["follow"] + wish["status"] + wish["create"] > 1:
        raise UsageError("--follow, --status and --create are three different errands")
    from benchlog.cli.tasks import forwarding

    address, readings = forwarding.address(to), wish["readings"]
    if wish["create"]:
        forwarding.create(address, as_json)
    elif wish["status"]:
        forwarding.status(address, db, as_json)
    elif wish["follow"]:
        forwarding.follow(address, db, readings=readings, as_json=as_json)
    else:
        forwarding.once(address, db, readings=readings, as_json=as_json)
