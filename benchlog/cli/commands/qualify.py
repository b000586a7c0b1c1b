"""`benchlog qualify`: a rack of devices taken through a test sequence."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from benchlog.cli import options
from benchlog.cli.command import command as make_command
from benchlog.cli.database import database
from benchlog.cli.printing import in_terminal, print_json, print_text, say, table
from benchlog.cli.typed_values import CatalogueName
from benchlog.clock import host_clock
from benchlog.errors import UsageError

if TYPE_CHECKING:
    from benchlog.cli.tasks.qualifying import Prepared
    from benchlog.recorder.rack.qualification import RackWork

EXAMPLES = (
    "benchlog qualify --bench rack.toml --part vctcxo-10mhz-1ppm \\",
    "    --sequence temperature-five-points --devices ids.txt --dry-run",
    "benchlog qualify --bench rack.toml --part vctcxo-10mhz-1ppm \\",
    "    --sequence temperature-five-points --devices ids.txt",
    "benchlog qualify --resume-last",
)


@make_command("qualify", examples=EXAMPLES)
@options.bench
@options.part
@click.option(
    "--sequence",
    type=CatalogueName("sequences"),
    help="What the devices are taken through; see `benchlog sequences`.",
)
@click.option(
    "--devices",
    type=click.Path(path_type=Path, dir_okay=False, allow_dash=True),
    metavar="FILE|-",
    help="Their ids, one a line, in the order of the positions; or POSITION,ID.",
)
@click.option(
    "--dry-run", is_flag=True, help="Print every value that would be set, and the time."
)
@click.option(
    "--resume-last", is_flag=True, help="Go on with the newest one that was cut."
)
@click.option(
    "--trust",
    is_flag=True,
    help="With --resume-last: also with runs that came from elsewhere.",
)
@click.option(
    "--exchanged",
    multiple=True,
    metavar="SETTER",
    help="With --resume-last: this one was exchanged since; may be repeated.",
)
@options.no_screen
@options.operator
@options.note
@options.lot
def command(db: Path | None, as_json: bool, **typed: Any) -> None:
    """Take a rack of devices through a sequence; tell what was found of each.

    Chamber, supply, control voltage and scanner are set as the sequence wants, never
    beyond what part, sequence and setter allow. Devices are measured in turns once they
    have settled. Everything is let go of at the end, and when anything goes wrong.

    In a terminal the rack is shown as in `benchlog watch`; leaving the screen asks
    whether the sequence is to go on. It outlives its terminal.

    Heat and cold that nobody watches can harm: the chamber's own limiter stays what
    keeps it safe. Mind condensation, mains, and the manuals of what you use.
    """
    from benchlog.cli.run_result import exit_code
    from benchlog.cli.tasks.going_on.cut_rack import prepare_again
    from benchlog.cli.tasks.qualification_text import text
    from benchlog.cli.tasks.waiting_rows import bring_waiting_rows
    from benchlog.evaluation.rack_study import document, qualification_of
    from benchlog.recorder.rack.qualification import RackWork
    from benchlog.store.reader import Reader

    path = database(db)
    if typed["resume_last"]:
        if not typed["dry_run"]:
            bring_waiting_rows(path)
        prepared, work = prepare_again(
            path, host_clock(), trust=typed["trust"], exchanged=typed["exchanged"]
        )
    elif typed["exchanged"]:
        raise UsageError("--exchanged goes with --resume-last: see its help")
    else:
        prepared = _prepared(typed)
        work = RackWork(task=prepared.task, again={})
    if typed["dry_run"]:
        _print_plan(prepared, as_json)
        return
    if typed["trust"]:
        _require_consent(work, path)
    runs = _kept(work, path, on_screen=not (as_json or typed["no_screen"]))
    with Reader.open(path) as reader:
        found = qualification_of(reader, runs[0])
    if as_json:
        print_json(document(found), "qualification")
    else:
        print_text(text(found))
    sys.exit(exit_code([found.verdict]))


def _kept(work: "RackWork", path: Path, *, on_screen: bool) -> tuple[int, ...]:
    """Take a rack through its sequence, on the screen or in lines; return the runs."""
    from benchlog.recorder.rack.qualification import keep_rack, launch_rack

    if on_screen and in_terminal():
        from benchlog.cli.tasks.with_screen import shown_beside

        return shown_beside(launch_rack(work, path, say), path)
    from benchlog.cli.narrator import Narrator
    from benchlog.cli.tasks.headless import RackNarration

    with Narrator() as narrator:
        tell = RackNarration(narrator).tell
        return keep_rack(work, path, host_clock(), tell=tell)


def _require_consent(work: "RackWork", path: Path) -> None:
    """Show what runs from elsewhere use here, and ask. Raises UsageError at a no."""
    from benchlog.cli.tasks.going_on.cut_rack import used_from_elsewhere

    uses = used_from_elsewhere(path, work) if work.again else []
    for line in uses:
        say(line)
    question = "go on with that on this computer?"
    if uses and in_terminal() and not click.confirm(question, err=True):
        raise UsageError("nothing was opened; the runs stay as they are")


def _prepared(typed: dict[str, Any]) -> "Prepared":
    from benchlog.cli.tasks.bench_and_part import recalled, required
    from benchlog.cli.tasks.qualifying import QualifyWish, prepare

    found = recalled(bench=typed["bench"], part=typed["part"])
    required(bench=found.bench, part=found.part)
    assert found.bench is not None and found.part is not None
    for name in ("sequence", "devices"):
        if typed[name] is None:
            raise UsageError(f"which --{name}? See `benchlog qualify --help`")
    return prepare(
        QualifyWish(
            bench=found.bench,
            part=found.part,
            sequence=typed["sequence"],
            devices=typed["devices"],
            operator=typed["operator"] or "",
            note=typed["note"] or "",
            lot=typed["lot"],
        )
    )


def _print_plan(prepared: "Prepared", as_json: bool) -> None:
    from benchlog.cli.tasks.sequence_text import PLAN_HEADERS, plan_rows
    from benchlog.units import as_stated, format_duration

    expected = prepared.expected()
    feed_v = prepared.task.feed_at_first_v(expected[0].planned)
    if as_json:
        print_json(
            {
                "sequence": prepared.sequence.id,
                "part": prepared.part.id,
                "takes_s": expected[-1].end_s,
                "supply_at_first_v": feed_v,
                "steps": [
                    {
                        "index": one.planned.index,
                        "name": one.planned.name,
                        "orders": [
                            {"drive": o.drive, "value": o.value, "unit": o.unit}
                            for o in one.planned.orders
                        ],
                        "power": one.planned.step.power,
                        "anew": one.planned.step.anew,
                        "gates": one.planned.step.gates,
                        "begin_s": one.begin_s,
                        "takes_s": one.whole_s,
                    }
                    for one in expected
                ],
            },
            "qualification-plan",
        )
        return
    click.echo(table(PLAN_HEADERS, list(plan_rows(expected)), "rllrrl"))
    if feed_v is not None:
        say(f"before the first step the supply is set to {as_stated(feed_v)} V")
    devices = len(prepared.task.plans)
    takes = format_duration(round(expected[-1].end_s))
    say(f"{devices} devices, about {takes}, by a thermal model; nothing was set")
