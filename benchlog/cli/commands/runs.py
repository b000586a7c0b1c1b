"""`benchlog runs`: what is in the database, newest first."""

from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from benchlog.cli.command import command as make_command
from benchlog.cli.database import reading_runs, say_left_out
from benchlog.cli.options import dataset_option
from benchlog.cli.printing import print_json, say, table
from benchlog.cli.tasks.finding_runs import (
    ListedRun,
    finding_options,
    found,
    short,
    why_none,
)
from benchlog.model import Purpose, does_not_count_text
from benchlog.units import format_ppm, format_u_ppm, iso_utc

if TYPE_CHECKING:
    from benchlog.model import Run

EXAMPLES = (
    "benchlog runs",
    "benchlog runs --part quartz-16mhz-30ppm --limit 5",
    "benchlog runs --lot L-2207 --verdict fail",
    "benchlog runs --since 7d --like reel",
    "benchlog runs --device KX-0412 --json",
    "benchlog runs --dataset factory/ --since 7d",
)
_HEADERS = (
    "run", "started (UTC)", "device", "part", "readings", "offset ppm", "U ppm",
    "verdict",
)  # fmt: skip
_READ_LOW = (
    "a time base check is listed with what the counter read of the reference: a time "
    "base that is fast reads low"
)
_CUT = "the newest {} are listed; --limit shows more"


@make_command("runs", examples=EXAMPLES)
@finding_options
@dataset_option
@click.option(
    "--limit",
    type=click.IntRange(1, 10**9),
    default=30,
    show_default=True,
    help="How many at most.",
)
def command(
    limit: int, db: Path | None, as_json: bool, dataset: str | Path | None, **wish: Any
) -> None:
    """List the runs in the database, newest first.

    What does not count is listed, too, with the reason in the verdict's place.
    """
    if dataset is not None:
        _of_dataset(dataset, wish, limit, as_json=as_json)
        return
    with reading_runs(db) as reader:
        listed = list(islice(found(reader, wish), limit + 1))
        why_not = "" if listed else why_none(reader, wish)
    is_cut, listed = len(listed) > limit, listed[:limit]
    if as_json:
        print_json([as_document(one) for one in listed], "listed-run")
    elif listed:
        click.echo(_table(listed))
        if is_cut:
            say(_CUT.format(limit))
        if any(one.run.made_for is Purpose.REFCHECK for one in listed):
            say(_READ_LOW)
    else:
        say(
            why_not
            or "no run matches; start one with `benchlog measure` or `benchlog demo`"
        )


def _of_dataset(
    address: str | Path, wish: dict[str, Any], limit: int, *, as_json: bool
) -> None:
    from benchlog.exchange.dataset.run_list import runs_of_dataset

    left_out: dict[str, str] = {}
    listed = list(islice(runs_of_dataset(address, wish, left_out), limit + 1))
    say_left_out(left_out)
    is_cut, listed = len(listed) > limit, listed[:limit]
    if as_json:
        print_json(listed, "dataset-run")
    elif listed:
        headers = ("bench", *_HEADERS)
        click.echo(table(headers, [_dataset_row(one) for one in listed], "lrlllrrrl"))
        if is_cut:
            say(_CUT.format(limit))
    else:
        say("no run of the dataset matches")


def _dataset_row(one: dict[str, Any]) -> tuple[str, ...]:
    words = one["verdict"] or "-"
    if not one["counts"]:
        words = does_not_count_text(one["does_not_count"] or "")
    started = (one["started"] or "-")[:16].replace("T", " ")
    return (
        short(one["bench"]),
        str(one["run"]),
        started,
        short(one["device"]),
        one["part"],
        f"{one['readings'] or 0:,}",
        format_ppm(one["offset_ppm"], one["u_ppm"]),
        format_u_ppm(one["u_ppm"]),
        words + _in_brackets(_typed_as(one["device_typed"]), _made(one["simulated"])),
    )


def as_document(listed: ListedRun) -> dict[str, object]:
    """Return what a script may want of a run, without its snapshot."""
    run = listed.run
    return {
        "run": run.id,
        "run_uid": run.uid,
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
        "state": listed.state,
        "readings": run.told_readings,
        "offset_ppm": run.offset_ppm,
        "u_ppm": run.u_ppm,
        "verdict": listed.verdict,
        "counts": not listed.why_not,
        "does_not_count": listed.why_not or None,
        "damaged": run.damaged,
        "judged_again": run.judged_again,
        "doubt": (run.timebase.doubt or None) if run.timebase else None,
    }


def _table(listed: list[ListedRun]) -> str:
    return table(_HEADERS, [_row(one) for one in listed], "rlllrrrl")


def _marks(run: "Run") -> str:
    marks = [
        "judged again" if run.judged_again else "",
        "time base in doubt" if run.timebase and run.timebase.doubt else "",
        _typed_as(run.typed_device),
    ]
    return _in_brackets(*marks, _made(run.simulated))


def _typed_as(device: str | None) -> str:
    return f"typed as {device}" if device else ""


def _made(simulated: bool) -> str:
    return "simulated" if simulated else ""


def _in_brackets(*marks: str) -> str:
    said = ", ".join(mark for mark in marks if mark)
    return f" ({said})" if said else ""


def _row(listed: ListedRun) -> tuple[str, ...]:
    run = listed.run
    return (
        str(run.id),
        (iso_utc(run.started_utc_ns) or "-")[:16].replace("T", " "),
        short(run.device),
        run.part.id,
        f"{run.told_readings:,}",
        format_ppm(run.offset_ppm, run.u_ppm),
        format_u_ppm(run.u_ppm),
        listed.words + _marks(run),
    )
