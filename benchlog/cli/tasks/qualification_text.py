"""What a qualification found, as a person reads it."""

from collections.abc import Iterator

from benchlog.cli.printing import table
from benchlog.evaluation.rack.wording import (
    HEADS,
    late_text,
    line_cells,
    verdict_counts,
)
from benchlog.evaluation.rack_study import Qualification, QualifiedDevice
from benchlog.units import printable

HEADERS = ("device", "position", *HEADS)


def text(found: Qualification) -> str:
    """Return a table of all devices and characteristics, then the whole in a line.

    Between them, a line for each device that had not settled in time somewhere.
    """
    rows = [row for one in found.devices for row in _rows(one)]
    words = [one.verdict for one in found.devices]
    done = f"{found.steps_done} of {len(found.plan.steps)} steps"
    head = f"{found.plan.title or found.plan.sequence}: {done}"
    late = [
        f"{printable(one.run.device)} was {said}"
        for one in found.devices
        if (said := printable(late_text(one)))
    ]
    blocks = (
        head,
        table(HEADERS, rows, "lllrrrl"),
        "\n".join(late),
        f"{len(words)} devices: {verdict_counts(words)}",
    )
    return "\n\n".join(block for block in blocks if block)


def device_text(one: QualifiedDevice, steps: str) -> str:
    """Return the characteristics of one device as a table, under its verdict."""
    head = f"{str(one.verdict).upper()} by its characteristics; {steps}"
    rows = [line_cells(line) for line in one.found]
    return f"{head}\n\n{table(HEADS, rows, 'lrrrl')}"


def _rows(one: QualifiedDevice) -> Iterator[tuple[str, ...]]:
    for index, line in enumerate(one.found):
        first = index == 0
        yield (
            printable(one.run.device) if first else "",
            one.run.position if first else "",
            *line_cells(line),
        )
    if not one.found:
        yield (printable(one.run.device), one.run.position, "-", "-", "-", "-", "")
