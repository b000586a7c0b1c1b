"""`benchlog doctor`: what this computer and this installation lack, and the remedy."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from benchlog.cli.command import command as make_command
from benchlog.cli.database import database
from benchlog.cli.printing import pairs, print_json, say
from benchlog.units import printable

if TYPE_CHECKING:
    from benchlog.cli.tasks.host.findings import HostFinding

COMMANDS = ("sudo ", "echo ", "export ", "/")
"""How a remedy begins that is a command to type, and no advice."""
EXAMPLES = (
    "benchlog doctor",
    "benchlog doctor --json",
    "benchlog doctor --db bench.db",
)


@make_command("doctor", examples=EXAMPLES)
@click.pass_context
def command(ctx: click.Context, db: Path | None, as_json: bool) -> None:
    """Look at Python, packages, libraries, rights, data folder, clock and terminal.

    Nothing is changed and nothing is sent. What is missing comes with the command that
    gets it. Exit code 0 when all that benchlog needs is there, 1 otherwise; what only a
    class of instruments or an extra needs is named, and is no error.
    """
    from benchlog.cli.tasks.host.facts import look
    from benchlog.cli.tasks.host.findings import instrument_findings
    from benchlog.cli.tasks.host.installation import look_at_installation
    from benchlog.cli.tasks.host.installation_findings import installation_findings

    found = installation_findings(look_at_installation(_database(db)))
    found += instrument_findings(look())
    if as_json:
        print_json(found, "finding")
    else:
        for one in found:
            click.echo(pairs([_row(one)]))
            if one.remedy:
                click.echo(_remedy(one))
        for line in _summary(found):
            say(line)
    ctx.exit(0 if all(one.ok or not one.needed for one in found) else 1)


def _database(db: Path | None) -> Path:
    """Return the database meant; what finds the data folder may be missing itself."""
    try:
        return database(db)
    except ImportError:
        return Path("benchlog.db")


def _row(one: "HostFinding") -> tuple[str, str]:
    state = "ok" if one.ok else "NEEDED" if one.needed else "note"
    return f"{one.subject:<14}{state:<6}", one.found


def _remedy(one: "HostFinding") -> str:
    """Return the remedy below its finding; a command stays on one line for copying."""
    if one.remedy.startswith(COMMANDS):
        return f"{'':<22}$ {printable(one.remedy)}"
    return pairs([(f"{'':<20}", one.remedy)])


def _summary(found: "list[HostFinding]") -> list[str]:
    lacking = [one.subject for one in found if one.needed and not one.ok]
    if lacking:
        return [f"benchlog needs: {', '.join(lacking)}"]
    return ["all that benchlog needs is there"]
