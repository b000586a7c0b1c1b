"""What a qualification found, as a person reads it."""

from collections.abc import Iterator

from benchlog.cli.printing import table
from benchlog.evaluation.rack_study import Qualification, QualifiedDevice
from benchlog.units import as_stated, printable, three_digits, two_digits
from benchlog.verdict.rack.findings import FoundCharacteristic

HEADERS = ("device", "position", "characteristic", "found", "U (95 %)", "limit", "")


def text(found: Qualification) -> str:
    """Return a table of all devices and characteristics, then the whole in a line."""
    rows = [row for one in found.devices for row in _rows(one)]
    words = [one.verdict for one in found.devices]
    counts = ", ".join(
        f"{words.count(word)} {word}" for word in dict.fromkeys(sorted(words))
    )
    done = f"{found.steps_done} of {len(found.plan.steps)} steps"
    head = f"{found.plan.title or found.plan.sequence}: {done}"
    return "\n\n".join(
        (head, table(HEADERS, rows, "lllrrrl"), f"{len(words)} devices: {counts}")
    )


def _rows(one: QualifiedDevice) -> Iterator[tuple[str, ...]]:
    for index, line in enumerate(one.found):
        first = index == 0
        yield (
            printable(one.run.device) if first else "",
            one.run.position if first else "",
            line.name,
            *figures(line),
            said(line),
        )
    if not one.found:
        yield (printable(one.run.device), one.run.position, "-", "-", "-", "-", "")


def figures(line: FoundCharacteristic) -> tuple[str, str, str]:
    """Return value, U and limit with their unit."""
    limit = "-" if line.limit is None else f"{as_stated(line.limit)} {line.unit}"
    if line.value is None or line.u is None:
        return "-", "-", limit
    return f"{three_digits(line.value)} {line.unit}", two_digits(line.u), limit


def said(line: FoundCharacteristic) -> str:
    """Return the verdict in capitals, then what else is to be known."""
    word = "" if line.verdict is None else str(line.verdict).upper()
    return "  ".join(part for part in (word, line.text) if part)
