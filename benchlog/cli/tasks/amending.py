"""What the commands have in common that say something of a run afterwards."""

import contextlib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from benchlog.cli.database import database
from benchlog.cli.typed_values import Text

if TYPE_CHECKING:
    from benchlog.evaluation.run_evaluation import Evaluation
    from benchlog.model import Part, Run
    from benchlog.store.reader import Reader
    from benchlog.store.rows import VerdictRow
    from benchlog.store.writer import Writer

reason_option = click.option(
    "--reason", type=Text(), required=True, help="The reason, for the record."
)
operator_option = click.option("--operator", type=Text(), help="Who says so.")


@contextlib.contextmanager
def amending(db: Path | None) -> "Iterator[tuple[Writer, Reader]]":
    """Open an existing database for writing and reading. Raises StoreError."""
    from benchlog.clock import host_clock
    from benchlog.errors import StoreError
    from benchlog.store.reader import Reader
    from benchlog.store.writer import Writer

    path = database(db)
    if not path.is_file():
        raise StoreError(f"there is no database {path}; name another with --db")
    with Writer.open(path, host_clock()) as writer, Reader.open(path) as reader:
        yield writer, reader


# --- judged again


RULE = (
    "judged again: guarded acceptance (JCGM 106): pass if |offset| + U <= limit, "
    "fail if |offset| - U > limit, else undecided"
)


def against(run: "Run", part: "Part") -> "Run":
    """Return the run as it is judged again against a part."""
    return replace(run, part=part, nominal_hz=part.nominal_hz, judged_again=True)


def verdict_again(
    reader: "Reader", evaluation: "Evaluation", reason: str
) -> "VerdictRow":
    """Return the verdict of a run that was judged again, with what it rests on."""
    from benchlog.evaluation.rack.kept_verdict import kept_verdict
    from benchlog.evaluation.rack.one_run import Racks

    run = evaluation.run
    basis = {
        "part": run.part,
        "timebase": run.timebase,
        "over_temperature": run.over_temperature,
        "learnt": run.learnt,
        "reason": reason,
    }
    rule = f"{RULE}; {reason}" if reason else RULE
    more = {"state": evaluation.state, "basis": basis}
    return kept_verdict(Racks(reader, run), evaluation, rule, more)
