"""What the commands that fit laws to runs have in common."""

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from benchlog.cli.database import chosen_run
from benchlog.cli.printing import say, table
from benchlog.errors import UsageError
from benchlog.model import does_not_count_text
from benchlog.units import interval_texts, printable

if TYPE_CHECKING:
    from benchlog.analysis.fitting.ageing import Estimate
    from benchlog.model import Run
    from benchlog.store.reader import Reader

plot_option = click.option(
    "--plot",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Write a picture, too: .svg, .png or .pdf.",
)


def check_plot(path: Path | None) -> None:
    """Refuse, before anything is worked out, a picture that cannot be written.

    Raises UsageError. A picture goes over an older one, wherever that is.
    """
    if path is not None:
        from benchlog.plotting.pictures import check_ending
        from benchlog.store.whole_files import check_folder

        check_ending(path)
        if not path.exists():
            check_folder(path)


def chosen_runs(reader: "Reader", named: Sequence[int | str]) -> "list[Run]":
    """Return the runs of these numbers or devices, the latest one when there are none.

    One that does not count is taken, as it was asked for, and that is told. Raises
    UsageError when they are of different devices: a law belongs to one.
    """
    found = (chosen_run(reader, one) for one in named or (None,))
    runs = list({run.id: run for run in found}.values())
    devices = sorted({run.device for run in runs})
    if len(devices) > 1:
        raise UsageError(
            "a law belongs to one device; these runs are of "
            + ", ".join(printable(device) for device in devices)
        )
    for run in runs:
        if not run.counts and not run.open:
            say(f"note: run {run.id} {does_not_count_text(run.why_not_counted)}")
    return runs


def estimate_rows(found: "Iterable[Estimate]") -> str:
    """Return estimates as a table: value, 95 % interval, unit."""
    rows = [
        (one.name, *interval_texts(one.value, one.low, one.high), one.unit)
        for one in found
    ]
    return table(("", "value", "95 % from", "to", "unit"), rows, "lrrr")
