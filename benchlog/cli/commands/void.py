"""`benchlog void`: a run that does not count, said and not deleted."""

from pathlib import Path

import click

from benchlog.cli.command import command as make_command
from benchlog.cli.printing import say
from benchlog.cli.tasks.amending import amending, operator_option, reason_option
from benchlog.cli.typed_values import RunId
from benchlog.errors import UsageError

EXAMPLES = (
    'benchlog void 12 --reason "the probe had come off"',
    'benchlog void 12 --restore --reason "it was run 21"',
)


@make_command("void", examples=EXAMPLES, figures=False)
@click.argument("run", type=RunId())
@reason_option
@operator_option
@click.option("--restore", is_flag=True, help="Let a voided run count again.")
def command(
    run: int, reason: str, operator: str | None, restore: bool, db: Path | None
) -> None:
    """Say that RUN does not count, and why.

    Its readings and verdicts stay and are shown, marked as void; a lot counts the
    device's run before it. Nothing is ever deleted.
    """
    from benchlog.store.rows import Amendment

    with amending(db) as (writer, reader):
        found = reader.run(run)
        if (found.void is not None) is not restore:
            state = "is not void" if restore else f"is void already: {found.void}"
            raise UsageError(f"run {run} {state}")
        kind = "restore" if restore else "void"
        writer.amend(run, Amendment(kind=kind, reason=reason, operator=operator or ""))
    say(f"run {run} of {found.device} {'counts again' if restore else 'is void'}")
