"""`benchlog forward`: what was measured here, sent on to a central database."""

from pathlib import Path

import click

from benchlog.cli.command import command as make_command
from benchlog.cli.typed_values import Duration
from benchlog.errors import UsageError

EXAMPLES = (
    "benchlog forward --to postgresql://db.example/factory --create",
    "benchlog forward --to postgresql://db.example/factory",
    "benchlog forward --to postgresql://db.example/factory --readings",
    "benchlog forward --to postgresql://db.example/factory --follow",
    "benchlog forward --to postgresql://db.example/factory --status",
    "benchlog forward --to s3://factory/benches --follow",
)


@make_command("forward", examples=EXAMPLES)
@click.option(
    "--to",
    required=True,
    metavar="ADDRESS",
    help="postgresql://HOST/DATABASE, or s3://BUCKET/FOLDER for a dataset there.",
)
@click.option(
    "--readings",
    is_flag=True,
    help="Send every reading, too; a dataset has them anyway.",
)
@click.option(
    "--follow", is_flag=True, help="Go on: send what is committed as it comes."
)
@click.option(
    "--every",
    "every_s",
    type=Duration(),
    help="How often --follow looks [default: 2s; a dataset 5m].",
)
@click.option("--status", is_flag=True, help="Only tell what waits, and since when.")
@click.option(
    "--create",
    is_flag=True,
    help="Make the tables, views and roles there, or bring them up to date.",
)
def command(
    to: str, every_s: float | None, db: Path | None, as_json: bool, **wish: bool
) -> None:
    """Send what is committed in this database on to a central place.

    Runs, devices, lots, verdicts, corrections, events and reference checks go over,
    each once, in batches; what was sent is not sent again. This database stays the
    truth. To an object store goes a dataset, as `export --dataset` writes it.

    Credentials come from PGUSER and PGPASSWORD, ~/.pgpass or a service file, for an
    object store from AWS_ACCESS_KEY_ID and its like; never from the address.
    """
    if wish["follow"] + wish["status"] + wish["create"] > 1:
        raise UsageError("--follow, --status and --create are three different errands")
    if every_s is not None and not wish["follow"]:
        raise UsageError("--every tells how often to look; it goes with --follow")
    from benchlog.cli.tasks import forwarding

    place = forwarding.place(to, readings=wish["readings"])
    if wish["create"]:
        forwarding.create(place, as_json)
    elif wish["status"]:
        forwarding.status(place, db, as_json)
    elif wish["follow"]:
        forwarding.follow(place, db, as_json, every_s)
    else:
        forwarding.once(place, db, as_json)
