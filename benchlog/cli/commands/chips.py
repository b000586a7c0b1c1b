"""`benchlog chips`: devices of one lot beside each other."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from benchlog.cli.command import command as make_command
from benchlog.cli.database import reading, say_left_out
from benchlog.cli.options import dataset_option
from benchlog.cli.printing import print_json, print_text, table
from benchlog.cli.typed_values import Text
from benchlog.units import counted, format_ppm, format_u_ppm, three_digits

if TYPE_CHECKING:
    from benchlog.model import Run
    from benchlog.store.reader import Reader
    from benchlog.verdict.lot.chips import Chip, ChipSpread

EXAMPLES = (
    "benchlog chips --lot L-2207",
    "benchlog chips --lot L-2207 --json",
    "benchlog chips --lot L-2207 --dataset factory/",
)
_MOST = 100_000


@make_command("chips", examples=EXAMPLES)
@click.option("--lot", required=True, type=Text(), help="The lot, as it was named.")
@dataset_option
def command(
    db: Path | None, as_json: bool, lot: str, dataset: str | Path | None
) -> None:
    """Compare the devices of a lot: ranking, spread, and what they have in common.

    Each device is there with its newest run that counts and has a figure. A run that
    was marked (warming, another supply) is left out: that is no spread of devices.
    """
    from benchlog.verdict.lot.chips import spread_of

    if dataset is not None:
        from benchlog.exchange.dataset.lots import chips_of_dataset

        left_out: dict[str, str] = {}
        chips, u_common_ppm = chips_of_dataset(dataset, lot, left_out)
        say_left_out(left_out)
    else:
        with reading(db) as reader:
            chips, u_common_ppm = chips_of(reader, lot)
    found = spread_of(chips, u_common_ppm)
    if as_json:
        from benchlog.evaluation.lot_document import chips_document

        print_json(chips_document(lot, found), "chips")
    else:
        print_text(text(lot, found))


def chips_of(reader: "Reader", lot: str) -> "tuple[list[Chip], float]":
    """Return the newest figures of every device of a lot, and what U they share.

    Runs that do not count are left out, and those with marks; a damaged device has
    failed. Raises NotFoundError for a lot that is not here.
    """
    from benchlog.verdict.lot.chips import Chip, unknown_lot
    from benchlog.verdict.lot.lot_runs import shared_u_ppm, tightest_ppm, word_of

    lots = reader.lots(lot)
    if not lots and not reader.runs(lot=lot, limit=1):
        raise unknown_lot(lot, {one.lot for one in reader.lots()})
    of_lots = [reader.lot_runs(known) for known in lots]
    words = {
        row.run: str(word_of(row, tightest))
        for rows in of_lots
        for tightest in (tightest_ppm(rows),)
        for row in rows
    }
    newest: dict[str, Run] = {}
    for run in reader.runs(lot=lot, limit=_MOST):  # the newest first
        clean = run.counts and not run.marked
        if run.offset_ppm is not None and run.u_ppm is not None and clean:
            newest.setdefault(run.device, run)
    chips = [
        Chip(
            device=run.device,
            run=run.id,
            offset_ppm=ppm,
            u_ppm=u,
            word=words.get(run.id) or run.verdict or "undecided",
        )
        for run in newest.values()
        if (ppm := run.offset_ppm) is not None and (u := run.u_ppm) is not None
    ]
    bases = [run.timebase for run in newest.values() if run.timebase is not None]
    return chips, shared_u_ppm((base.status, base.u_ppm) for base in bases)


def text(lot: str, found: "ChipSpread") -> str:
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
        base = format_u_ppm(found.u_common_ppm)
        common = f", the time base's {base} in it" if found.u_common_ppm else ""
        said = f"mean {shift} +- {format_u_ppm(half)} ppm (95 %{common}): {shared}"
        lines.append(said)
        lines.append(
            f"spread from device to device {three_digits(found.sd_ppm)} ppm (sd)"
        )
    return "\n".join(lines) + "\n\n" + table(headers, rows, "rlrr")
