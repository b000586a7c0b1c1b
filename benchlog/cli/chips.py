"""`benchlog chips`: devices of one lot beside each other."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from benchlog.cli.command import command as make_command
from benchlog.cli.database import reading
from benchlog.cli.printing import counted, print_json, table
from benchlog.cli.values import Text
from benchlog.units import format_ppm, format_u_ppm

if TYPE_CHECKING:
    from benchlog.store.reader import Reader
    from benchlog.verdict.chips import Chip, Spread

EXAMPLES = (
    "benchlog chips --lot L-2207",
    "benchlog chips --lot L-2207 --json",
)
_MOST = 100_000


@make_command("chips", examples=EXAMPLES)
@click.option("--lot", required=True, type=Text(), help="The lot, as it was named.")
def command(db: Path | None, as_json: bool, lot: str) -> None:
    """Compare the devices of a lot: ranking, spread, and what they have in common.

    Each device counts with its newest run that has a figure.
    """
    from benchlog.verdict.chips import spread_of

    with reading(db) as reader:
        chips = chips_of(reader, lot)
    found = spread_of(chips)
    if as_json:
        print_json({"lot": lot, **_document(found)})
    else:
        click.echo(text(lot, found))


def chips_of(reader: "Reader", lot: str) -> "list[Chip]":
    """Return the newest figures of every device of a lot."""
    from benchlog.verdict.chips import Chip

    newest: dict[str, Chip] = {}
    for run in reader.runs(lot=lot, limit=_MOST):  # the newest first
        if run.offset_ppm is None or run.u_ppm is None or run.device in newest:
            continue
        word = run.verdict or "undecided"
        newest[run.device] = Chip(run.device, run.id, run.offset_ppm, run.u_ppm, word)
    return list(newest.values())


def _document(found: "Spread") -> dict[str, object]:
    return {
        "devices": found.n,
        "shift_ppm": found.shift_ppm,
        "shift_interval_ppm": [found.low_ppm, found.high_ppm],
        "sd_ppm": found.sd_ppm,
        "ranking": list(found.ranking),
    }


def text(lot: str, found: "Spread") -> str:
    """Return the comparison as a person reads it."""
    rows = [
        (
            str(place),
            chip.device,
            format_ppm(chip.offset_ppm, chip.u_ppm),
            format_u_ppm(chip.u_ppm),
            chip.word,
            str(chip.run),
        )
        for place, chip in enumerate(found.ranking, start=1)
    ]
    headers = ("", "device", "offset ppm", "U ppm", "verdict", "run")
    lines = [f"lot {lot}: {counted(found.n, 'device')}"]
    if found.sd_ppm is not None:
        half = ((found.high_ppm or 0.0) - (found.low_ppm or 0.0)) / 2
        shift = format_ppm(found.shift_ppm, half)
        shared = "they share a shift" if found.shared else "no clear common shift"
        lines.append(f"mean {shift} +- {format_u_ppm(half)} ppm (95 %): {shared}")
        lines.append(f"spread from device to device {found.sd_ppm:,.4g} ppm (sd)")
    return "\n".join(lines) + "\n\n" + table(headers, rows, "rlrr")
