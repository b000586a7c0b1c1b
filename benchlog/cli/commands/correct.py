"""`benchlog correct`: what was mistyped of a run, corrected beside the old entry."""

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from benchlog.cli.command import command as make_command
from benchlog.cli.printing import say
from benchlog.cli.tasks.amending import (
    against,
    amending,
    operator_option,
    reason_option,
    verdict_again,
)
from benchlog.cli.typed_values import CatalogueName, DeviceId, RunId, Text
from benchlog.errors import NotFoundError, UsageError
from benchlog.model import EventKind, Purpose

if TYPE_CHECKING:
    from collections.abc import Iterator

    from benchlog.model import Part, Run
    from benchlog.store.reader import Reader
    from benchlog.store.rows import Amendment, VerdictRow

EXAMPLES = (
    'benchlog correct 12 --device KX-0412 --reason "O typed for 0"',
    'benchlog correct 12 --lot L-2207 --reason "left out"',
    'benchlog correct 12 --part quartz-16mhz-50ppm --reason "wrong bag"',
    'benchlog correct 12 --mark 2 "supply 2.8 V" --reason "2.0 typed for 2.8"',
)


@make_command("correct", examples=EXAMPLES, figures=False)
@click.argument("run", type=RunId())
@click.option("--device", type=DeviceId(), help="The right device id.")
@click.option("--part", type=CatalogueName("parts"), help="The right part.")
@click.option("--lot", type=Text(), help="The right lot.")
@click.option("--no-lot", is_flag=True, help="It belongs to no lot.")
@click.option("--measured-by", type=Text(), help="Who measured it.")
@click.option(
    "--mark",
    type=(click.IntRange(min=1), Text()),
    metavar="N TEXT",
    help="What its Nth mark should be; `show` numbers them.",
)
@reason_option
@operator_option
def command(
    run: int, reason: str, operator: str | None, db: Path | None, **wish: Any
) -> None:
    """Correct what was mistyped of RUN.

    What was typed stays in the database and is shown beside the new entry, with who
    corrected it, when and why. Correct it again to take a correction back. With another
    part the run is judged again; the old verdict stays beside the new one.
    """
    if wish["lot"] is not None and wish["no_lot"]:
        raise UsageError("give --lot or --no-lot, not both")
    with amending(db) as (writer, reader):
        found = reader.run(run)
        part = _part(found, wish["part"])
        changes = list(_changes(reader, found, part, wish))
        if not changes:
            raise UsageError(
                "correct what? Give --device, --part, --lot, --no-lot, --measured-by "
                "or --mark"
            )
        same = [kind for kind, old, new in changes if old == new]
        if same:
            raise UsageError(f"the {same[0]} of run {run} is that already")
        lot = "" if wish["no_lot"] else wish["lot"] or found.lot
        if lot and not {"part", "lot"}.isdisjoint(kind for kind, _, _ in changes):
            writer.know_lot(lot, part or reader.part(found.part_id))
        rows = [_amendment(*change, reason, operator) for change in changes]
        # with the part at once: a verdict on another one would be shown as of this
        if part is None:
            writer.amend(run, *rows)
        else:
            judged, word = _judged(reader, found, part, reason)
            writer.amend(run, *rows, judged=judged)
            say(f"judged again against {part.id}: {word}")
    for kind, old, new in changes:
        say(f"run {run}: {kind} {new or 'none'}, was {old or 'none'}")


def _part(run: "Run", name: str | None) -> "Part | None":
    """Return the part it is said to be, if so. Raises UsageError, NotFoundError."""
    if name is None:
        return None
    if run.open:
        raise UsageError(f"run {run.id} is still running; stop it first")
    if run.made_for is Purpose.REFCHECK:
        raise UsageError(f"run {run.id} checked a time base: it has no part")
    from benchlog.catalogue import load_part

    return load_part(name)


def _changes(
    reader: "Reader", run: "Run", part: "Part | None", wish: dict[str, Any]
) -> "Iterator[tuple[str, str, str]]":
    """Yield kind, what it is now and what it should be."""
    if wish["device"] is not None:
        yield "device", run.device, wish["device"]
    if part is not None:
        yield "part", run.part_id, part.id
    if wish["no_lot"] or wish["lot"] is not None:
        yield "lot", run.lot or "", wish["lot"] or ""
    if wish["measured_by"] is not None:
        yield "operator", run.operator, wish["measured_by"]
    if wish["mark"] is not None:
        number, new = wish["mark"]
        yield f"mark {number}", _mark(reader, run, number), new


def _mark(reader: "Reader", run: "Run", number: int) -> str:
    """Return the text of the run's Nth mark by now. Raises NotFoundError."""
    events = (event for _, event in reader.events(run.id))
    marks = [event.text for event in events if event.kind == EventKind.MARK]
    if number > len(marks):
        known = [str(one) for one in range(1, len(marks) + 1)]
        raise NotFoundError("mark", str(number), known, f"in run {run.id}")
    return marks[number - 1]


def _amendment(
    kind: str, old: str, new: str, reason: str, operator: str | None
) -> "Amendment":
    from benchlog.store.rows import Amendment

    return Amendment(
        kind=kind, reason=reason, old=old, new=new, operator=operator or ""
    )


def _judged(
    reader: "Reader", run: "Run", part: "Part", reason: str
) -> "tuple[VerdictRow, str]":
    """Return a run's verdict against the part that it is now said to be; its word."""
    from benchlog.cli.run_result import evaluated

    corrected = replace(against(run, part), part_id=part.id)
    evaluation = evaluated(reader, corrected)
    row = verdict_again(reader, evaluation, reason)
    return row, evaluation.decision if run.damaged else row.word
