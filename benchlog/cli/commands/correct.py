"""`benchlog correct`: a mistyped device id, corrected beside the old one."""

from pathlib import Path

import click

from benchlog.cli.command import command as make_command
from benchlog.cli.printing import say
from benchlog.cli.tasks.amending import amending, operator_option, reason_option
from benchlog.cli.typed_values import DeviceId, RunId
from benchlog.errors import UsageError

EXAMPLES = ('benchlog correct 12 --device KX-0412 --reason "O typed for 0"',)


@make_command("correct", examples=EXAMPLES, figures=False)
@click.argument("run", type=RunId())
@click.option("--device", type=DeviceId(), required=True, help="What its id really is.")
@reason_option
@operator_option
def command(
    run: int, device: str, reason: str, operator: str | None, db: Path | None
) -> None:
    """Correct the device id of RUN.

    The id as it was typed stays in the database and is shown beside the new one.
    """
    from benchlog.store.rows import Amendment

    with amending(db) as (writer, reader):
        found = reader.run(run)
        if found.device == device:
            raise UsageError(f"run {run} is of {device} already")
        row = Amendment(
            kind="device",
            reason=reason,
            old=found.device,
            new=device,
            operator=operator or "",
        )
        writer.amend(run, row)
    say(f"run {run} is of {device}, typed as {found.typed_device or found.device}")
