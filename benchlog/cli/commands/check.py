"""`benchlog check`: whether a database is whole, and what to do where it is not."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from benchlog.cli.command import command as make_command
from benchlog.cli.database import database
from benchlog.cli.printing import print_json, print_text, say
from benchlog.cli.progress import Progress
from benchlog.errors import UsageError
from benchlog.units import counted
from benchlog.version import __version__

if TYPE_CHECKING:
    from benchlog.store.integrity.examination import DamageFound

EXAMPLES = (
    "benchlog check",
    "benchlog check bench.db --repair",
    "benchlog check bench.db --release 7",
)
_DAMAGED = 1


@make_command("check", examples=EXAMPLES)
@click.argument("file", required=False, type=click.Path(path_type=Path, dir_okay=False))
@click.option(
    "--repair",
    is_flag=True,
    help="Put what cannot be read into quarantine; make anew what is derived.",
)
@click.option(
    "--release",
    type=int,
    metavar="RUN",
    help="Let a run out of quarantine again; nothing else is done.",
)
@click.pass_context
def command(
    ctx: click.Context,
    /,
    file: Path | None,
    db: Path | None,
    as_json: bool,
    **wish: Any,
) -> None:
    """Look for damage in the database FILE, and tell what to do about it.

    Its pages, its log, rows that belong to nothing, runs that cannot be read and
    figures that cannot be. With --repair a damaged run is put into quarantine: lists
    leave it out, every byte of it stays, and --release brings it back.

    Ends with 1 when something is wrong that is not in quarantine.
    """
    from benchlog.store.integrity.examination import HELD, examine

    if file is not None and db is not None:
        raise UsageError("name the database once: as FILE, or with --db")
    path = database(file or db)
    if wish["release"] is not None:
        _release(path, wish["release"])
        return
    with Progress("looking at runs") as progress:
        found = examine(path, lambda run: progress.reached(run, 0))
    done = _repaired(path, found) if wish["repair"] and found else []
    if done:
        found = examine(path)
    wrong = [one for one in found if one.kind != HELD]
    if as_json:
        print_json(_document(path, found, done), "check")
    else:
        _tell(path, found, done)
    ctx.exit(_DAMAGED if wrong else 0)


def _release(path: Path, run: int) -> None:
    from benchlog.clock import host_clock
    from benchlog.store.integrity.quarantine import RUN
    from benchlog.store.writer import Writer

    with Writer.open(path, host_clock()) as writer:
        writer.release((RUN, run), "released by a person", __version__)
    say(f"run {run} is out of quarantine; lists show it where it can be read")


def _repaired(path: Path, found: "list[DamageFound]") -> "list[DamageFound]":
    from benchlog.clock import host_clock
    from benchlog.store.integrity.examination import repair
    from benchlog.store.writer import Writer

    with Writer.open(path, host_clock()) as writer:
        return repair(writer, found, __version__)


def _tell(path: Path, found: "list[DamageFound]", done: "list[DamageFound]") -> None:
    for one in done:
        what = "put into quarantine" if one.record else "made anew"
        print_text(f"{what}: {one.what}")
    told = [one for one in found if one not in done]
    for one in told:
        print_text(one.what)
        if one.todo:
            print_text(f"    {one.todo}")
    if not told:
        print_text(f"{path} is whole")
    elif any(one.todo for one in told):
        say(f"{counted(sum(bool(one.todo) for one in told), 'finding')} in {path}")


def _document(
    path: Path, found: "list[DamageFound]", done: "list[DamageFound]"
) -> dict[str, Any]:
    return {
        "file": str(path),
        "whole": not any(one.todo for one in found),
        "findings": [_plain(one) for one in found],
        "repaired": [_plain(one) for one in done],
    }


def _plain(one: "DamageFound") -> dict[str, Any]:
    return {
        "kind": one.kind,
        "what": one.what,
        "todo": one.todo or None,
        "record": None if one.record is None else one.record[0],
        "number": None if one.record is None else one.record[1],
    }
