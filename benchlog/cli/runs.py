"""`benchlog runs`: what is in the database, newest first."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from benchlog.cli.command import command as make_command
from benchlog.cli.database import reading
from benchlog.cli.printing import print_json, say, table
from benchlog.cli.values import Listed, Text
from benchlog.units import format_ppm, format_u_ppm, iso_utc

if TYPE_CHECKING:
    from benchlog.model import Run

EXAMPLES = (
    "benchlog runs",
    "benchlog runs --part quartz-16mhz-30ppm --limit 5",
    "benchlog runs --device KX-0412 --json",
)


@make_command("runs", examples=EXAMPLES)
@click.option("--device", type=Text(), help="Only runs of this device id.")
@click.option("--part", type=Listed("parts"), help="Only runs of this part id.")
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
        runs = reader.runs(device=device, part=part, limit=limit)
    if as_json:
        print_json([as_document(run) for run in runs])
    elif runs:
        click.echo(_table(runs))
    else:
        say("no run matches; start one with `benchlog measure` or `benchlog demo`")


def as_document(run: "Run") -> dict[str, object]:
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
        "readings": run.readings,
        "offset_ppm": run.offset_ppm,
        "u_ppm": run.u_ppm,
        "verdict": run.verdict,
    }


def _table(runs: "list[Run]") -> str:
    headers = (
        "run", "started (UTC)", "device", "part",
        "readings", "offset ppm", "U ppm", "verdict",
    )  # fmt: skip
    return table(headers, [_row(run) for run in runs], "rlllrrrl")


def _marks(run: "Run") -> str:
    marks = [
        "void" if run.void is not None else "",
        f"typed as {run.typed_device}" if run.typed_device else "",
        "simulated" if run.simulated else "",
    ]
    said = ", ".join(mark for mark in marks if mark)
    return f" ({said})" if said else ""


def _row(run: "Run") -> tuple[str, ...]:
    verdict = run.verdict or ("running" if run.open else "-")
    return (
        str(run.id),
        (iso_utc(run.started_utc_ns) or "-")[:16].replace("T", " "),
        run.device,
        run.part.id,
        f"{run.readings:,}",
        format_ppm(run.offset_ppm, run.u_ppm),
        format_u_ppm(run.u_ppm),
        verdict + _marks(run),
    )
