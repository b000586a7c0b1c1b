"""`benchlog merge`: the runs of other benches' databases in one."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from benchlog.cli.command import command as make_command
from benchlog.cli.database import database
from benchlog.cli.printing import print_json, say
from benchlog.errors import UnreadableRunError, UsageError
from benchlog.units import counted

if TYPE_CHECKING:
    from benchlog.store.merge import Merged
    from benchlog.store.writer import Writer

EXAMPLES = (
    "benchlog merge bench-1.db bench-2.db --db all.db",
    "benchlog merge bench-1.db --db all.db --json",
)


@make_command("merge", examples=EXAMPLES)
@click.argument(
    "other",
    nargs=-1,
    required=True,
    type=click.Path(path_type=Path, dir_okay=False, exists=True),
)
def command(other: tuple[Path, ...], db: Path | None, as_json: bool) -> None:
    """Bring the runs of OTHER databases into this one, under new numbers.

    Runs that are here already are known again and left alone, so that a file may be
    merged as often as it grows. Runs that are still running stay where they are.
    """
    from benchlog.clock import host_clock
    from benchlog.store.writer import Writer

    into = database(db)
    for path in other:
        if into.exists() and path.samefile(into):
            raise UsageError(f"{path} cannot be merged into itself")
    done = []
    with Writer.open(into, host_clock()) as writer:
        for path in other:
            merged = writer.merge(path)
            _judge(writer, list(merged.grown.values()))
            _tell(path, merged)
            done.append(_document(path, merged))
    if as_json:
        print_json(done, "merge")


def _judge(writer: "Writer", grown: list[int]) -> None:
    """Judge runs by all their readings where the newest verdict is one on fewer."""
    from benchlog.exchange.import_file import verdict_by_all
    from benchlog.store.reader import Reader

    with Reader.open(writer.path) as reader:
        for number in grown:
            try:
                run = reader.run(number)
            except UnreadableRunError:
                continue  # in quarantine here, say: nothing shows a verdict of it
            if run.verdict is None or run.told_readings == run.readings:
                continue
            row = verdict_by_all(reader, run)
            if row is not None:
                writer.add_verdict(number, row)


def _tell(path: Path, merged: "Merged") -> None:
    said = f"{path}: {counted(len(merged.brought), 'run')} brought in"
    if merged.known:
        said += f", {len(merged.known)} here already"
    if merged.grown:
        said += f", {len(merged.grown)} of them went on since and brought the rest"
    if merged.said:
        said += f" ({counted(merged.said, 'later statement')} added to those)"
    if merged.open:
        said += f", {len(merged.open)} still running and left there"
    say(said)
    for name, why in merged.left_out.items():
        say(f"{path}: {name} cannot be read and stays there: {why}")
    for lot in merged.other_plans:
        say(
            f"{path}: {lot} has another plan there: the one here is kept, and the "
            "lot's decision here goes by it; look at both with `benchlog lots`"
        )
    for there, here in merged.differing.items():
        if there not in merged.brought:
            say(
                f"{path}: run {there} is run {here} here, but has other readings (both "
                "went on apart, it is not over here, or it was exported before it was "
                "over) or is another part: each keeps its own verdicts and "
                "corrections; look at both"
            )
            continue
        say(
            f"{path}: run {there} is of the same measurement as run {here} here, but "
            "its readings differ: brought in beside it; void the one that is wrong"
        )


def _document(path: Path, merged: "Merged") -> dict[str, Any]:
    runs = {str(there): here for there, here in merged.brought.items()}
    return {
        "file": str(path),
        "runs": runs,
        "known": len(merged.known),
        "said_of_known": merged.said,
        "differing": {str(there): here for there, here in merged.differing.items()},
        "grown": {str(there): here for there, here in merged.grown.items()},
        "open": merged.open,
        "left_out": merged.left_out,
        "readings": merged.readings,
    }
