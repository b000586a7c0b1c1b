"""`benchlog qualify`: a rack of devices taken through a test sequence."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from benchlog.cli import options
from benchlog.cli.command import command as make_command
from benchlog.cli.database import database
from benchlog.cli.printing import (
    print_json,
    print_text,
    say,
    table,
)
from benchlog.cli.typed_values import CatalogueName
from benchlog.errors import UsageError

if TYPE_CHECKING:
    from benchlog.cli.tasks.qualifying import Prepared

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
@options.no_screen
@options.operator
@options.note
@options.lot
def command(db: Path | None, as_json: bool, **typed: Any) -> None:
    """Take a rack of devices through a sequence; tell what was found of each.

    Chamber, supply, control voltage and scanner are set as the sequence wants, never
    beyond what part, sequence and setter allow. Devices are measured in turns once they
    have settled. Everything is let go of at the end, and when anything goes wrong.

    Heat and cold that nobody watches can harm: the chamber's own limiter stays what
    keeps it safe. Mind condensation, mains, and the manuals of what you use.
    """
    from benchlog.cli.run_result import exit_code
    from benchlog.cli.tasks.headless import Narration
    from benchlog.cli.tasks.qualification_text import text
    from benchlog.cli.tasks.qualifying import (
        prepare_again,
        qualify,
        qualify_again,
    )
    from benchlog.clock import host_clock
    from benchlog.evaluation.rack_study import document, qualification_of
    from benchlog.store.reader import Reader

    path, tell, clock = database(db), Narration(600.0).tell, host_clock()
    if typed["resume_last"]:
        again = prepare_again(path, clock, trust=typed["trust"])
        if typed["dry_run"]:
            _print_plan(again.prepared, as_json)
            return
        runs = qualify_again(again, path, clock, tell=tell)
    else:
        prepared = _prepared(typed)
        if typed["dry_run"]:
            _print_plan(prepared, as_json)
            return
        runs = qualify(prepared, path, clock, tell=tell)
    with Reader.open(path) as reader:
        found = qualification_of(reader, runs[0])
    if as_json:
        print_json(document(found), "qualification")
    else:
        print_text(text(found))
    sys.exit(exit_code([found.verdict]))


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
    from benchlog.units import format_duration

    expected = prepared.expected()
    if as_json:
        print_json(
            {
                "sequence": prepared.sequence.id,
                "part": prepared.part.id,
                "takes_s": expected[-1].end_s,
                "steps": [
                    {
                        "index": one.planned.index,
                        "name": one.planned.name,
                        "orders": [
                            {"drive": o.drive, "value": o.value, "unit": o.unit}
                            for o in one.planned.orders
                        ],
                        "power": one.planned.step.power,
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
    devices = len(prepared.task.plans)
    takes = format_duration(round(expected[-1].end_s))
    say(f"{devices} devices, about {takes}, by a thermal model; nothing was set")
