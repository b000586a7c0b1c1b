"""`benchlog devices`: what was measured, a line for each device."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import click

from benchlog.cli.command import command as make_command
from benchlog.cli.database import reading_runs
from benchlog.cli.printing import print_json, say, table
from benchlog.cli.tasks.finding_runs import (
    ListedRun,
    finding_options,
    found,
    short,
    why_none,
)
from benchlog.model import Purpose
from benchlog.units import format_ppm, format_u_ppm, iso_utc

EXAMPLES = (
    "benchlog devices",
    "benchlog devices --lot L-2207",
    "benchlog devices --like KX --since 30d --json",
)


@dataclass(slots=True)
class DeviceRuns:
    """The runs of one device, the newest first; `newest` is the newest that counts."""

    runs: list[int] = field(default_factory=list)
    counting: int = 0
    newest: ListedRun | None = None
    last: ListedRun | None = None


@make_command("devices", examples=EXAMPLES)
@finding_options
def command(db: Path | None, as_json: bool, **wish: Any) -> None:
    """List the devices in the database, the one measured last first.

    Offset and verdict are those of its newest run that counts. `benchlog show DEVICE`
    shows it.
    """
    with reading_runs(db) as reader:
        devices = _by_device(found(reader, wish))
        why_not = "" if devices else why_none(reader, wish)
    if as_json:
        print_json([_document(one) for one in devices], "device")
    elif devices:
        headers = (
            "device", "part", "lot", "runs", "count", "last run (UTC)", "run",
            "offset ppm", "U ppm", "verdict",
        )  # fmt: skip
        click.echo(table(headers, [_row(one) for one in devices], "lllrrlrrr"))
    else:
        say(why_not or "no device matches; measure one with `benchlog measure`")


def _by_device(runs: Iterable[ListedRun]) -> list[DeviceRuns]:
    devices: dict[tuple[str, str | None, str], DeviceRuns] = {}
    for one in runs:
        if one.run.made_for is Purpose.REFCHECK:
            continue  # it looked at a time base, and at no device
        key = one.run.part_id, one.run.lot, one.run.device
        device = devices.setdefault(key, DeviceRuns())
        device.runs.append(one.run.id)
        device.last = _newer(device.last, one)
        if not one.why_not:
            device.counting += 1
            device.newest = _newer(device.newest, one)
    return sorted(devices.values(), key=_age, reverse=True)


def _newer(known: ListedRun | None, one: ListedRun) -> ListedRun:
    return one if known is None or one.age > known.age else known


def _age(device: DeviceRuns) -> tuple[int, int]:
    assert device.last is not None  # a device is here because of a run
    return device.last.age


def _shown(device: DeviceRuns) -> ListedRun:
    shown = device.newest or device.last
    assert shown is not None  # a device is here because of a run
    return shown


def _row(device: DeviceRuns) -> tuple[str, ...]:
    one = _shown(device)
    run = one.run
    return (
        short(run.device),
        run.part.id,  # that the verdict is on, as `runs` has it
        short(run.lot or "-"),
        str(len(device.runs)),
        str(device.counting),
        (iso_utc(run.started_utc_ns) or "-")[:16].replace("T", " "),
        str(run.id),
        format_ppm(run.offset_ppm, run.u_ppm),
        format_u_ppm(run.u_ppm),
        one.words,
    )


def _document(device: DeviceRuns) -> dict[str, object]:
    one = _shown(device)
    run = one.run
    return {
        "device": run.device,
        "part": run.part.id,
        "lot": run.lot,
        "runs": device.runs,
        "run": run.id,
        "started": iso_utc(run.started_utc_ns),
        "offset_ppm": run.offset_ppm,
        "u_ppm": run.u_ppm,
        "verdict": one.verdict,
        "counts": not one.why_not,
        "does_not_count": one.why_not or None,
        "damaged": run.damaged,
        "simulated": run.simulated,
    }
