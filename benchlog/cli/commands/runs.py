"""`benchlog runs`: what is in the database, newest first."""

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from benchlog.cli.command import command as make_command
from benchlog.cli.database import reading
from benchlog.cli.printing import print_json, say, table, width
from benchlog.cli.typed_values import CatalogueName, Text
from benchlog.units import format_ppm, format_u_ppm, iso_utc

if TYPE_CHECKING:
    from benchlog.model import Run
    from benchlog.store.reader import Reader

_LONGEST: Final = 32
EXAMPLES = (
    "benchlog runs",
    "benchlog runs --part quartz-16mhz-30ppm --limit 5",
    "benchlog runs --device KX-0412 --json",
)


@make_command("runs", examples=EXAMPLES)
@click.option("--device", type=Text(), help="Only runs of this device id.")
@click.option("--part", type=CatalogueName("parts"), help="Only runs of this part id.")
@click.option(
    "--limit",
    type=click.IntRange(1, 10**9),
    default=30,
    show_default=True,
    help="How many at most.",
)
def command(
    device: str | None, part: str | None, limit: int, db: Path | None, as_json: bool
) -> None:
    """List the runs in the database, newest first."""
    with reading(db) as reader:
        runs = reader.runs(device=device, part=part, limit=limit + 1)
        is_cut, runs = len(runs) > limit, runs[:limit]
        listed = [_as_it_stands(reader, run) for run in _known_now(reader, runs)]
    if as_json:
        print_json([as_document(*one) for one in listed])
    elif runs:
        click.echo(_table(listed))
        if is_cut:
            say(f"the newest {limit} are listed; --limit shows more")
    else:
        say("no run matches; start one with `benchlog measure` or `benchlog demo`")


def _known_now(reader: "Reader", runs: "list[Run]") -> "list[Run]":
    """Return the runs with what is known by now of the checks they rest on."""
    checks = [check for _, check in reader.reference_checks()]
    if not checks:
        return runs
    from benchlog.verdict.timebase.check_validity import all_as_known

    return all_as_known(runs, checks)


def _as_it_stands(reader: "Reader", run: "Run") -> "tuple[Run, str]":
    """Return the run and its state; where no verdict is stored yet, with today's."""
    from benchlog.control import state_of
    from benchlog.model import Purpose

    if run.purpose is Purpose.IMPORT:
        began, ended = reader.made_utc_ns(run)
        run = replace(
            run, started_utc_ns=-1 if began is None else began, ended_utc_ns=ended
        )
    if run.verdict is None and run.readings:
        from benchlog.cli.run_result import evaluated
        from benchlog.evaluation.run_evaluation import with_figures

        found = evaluated(reader, run)
        return with_figures(run, found.assessment), found.state
    return run, state_of(run, reader.original)


def as_document(run: "Run", state: str) -> dict[str, object]:
    """Return what a script may want of a run, without its snapshot."""
    return {
        "run": run.id,
        "purpose": run.purpose,
        "device": run.device,
        "part": run.part.id,
        "lot": run.lot,
        "position": run.position,
        "bench": run.bench,
        "nominal_hz": run.nominal_hz,
        "operator": run.operator or None,
        "note": run.note or None,
        "simulated": run.simulated,
        "void": run.void,
        "device_typed": run.typed_device,
        "started": iso_utc(run.started_utc_ns),
        "ended": iso_utc(run.ended_utc_ns),
        "ended_how": run.ended_how,
        "state": state,
        "readings": run.readings,
        "offset_ppm": run.offset_ppm,
        "u_ppm": run.u_ppm,
        "verdict": run.verdict,
        "judged_again": run.judged_again,
        "doubt": (run.timebase.doubt or None) if run.timebase else None,
    }


def _table(listed: "list[tuple[Run, str]]") -> str:
    headers = (
        "run", "started (UTC)", "device", "part",
        "readings", "offset ppm", "U ppm", "verdict",
    )  # fmt: skip
    return table(headers, [_row(*one) for one in listed], "rlllrrrl")


def _marks(run: "Run") -> str:
    marks = [
        "void" if run.void is not None else "",
        "judged again" if run.judged_again else "",
        "time base in doubt" if run.timebase and run.timebase.doubt else "",
        f"typed as {run.typed_device}" if run.typed_device else "",
        "simulated" if run.simulated else "",
    ]
    said = ", ".join(mark for mark in marks if mark)
    return f" ({said})" if said else ""


def _short(text: str) -> str:
    """Cut what would push the other columns off the screen; `show` has all of it."""
    return text if width(text) <= _LONGEST else text[: _LONGEST - 3] + "..."


def _row(run: "Run", state: str) -> tuple[str, ...]:
    verdict = run.verdict or "-"
    if state != "ended":
        verdict = f"{state}: {run.verdict}" if run.verdict else state
    return (
        str(run.id),
        (iso_utc(run.started_utc_ns) or "-")[:16].replace("T", " "),
        _short(run.device),
        run.part.id,
        f"{run.readings:,}",
        format_ppm(run.offset_ppm, run.u_ppm),
        format_u_ppm(run.u_ppm),
        verdict + _marks(run),
    )
