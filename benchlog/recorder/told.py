"""What a keeper tells whoever started it, as it happens."""

from collections.abc import Callable
from dataclasses import dataclass

from benchlog.model import Edge, Event, Reading
from benchlog.verdict.assessment import Assessment


@dataclass(frozen=True, slots=True)
class Told:
    """What the keeper tells: `kind` is waiting, begun, reading, event or ended.

    A reading is told after its commit, with how things stand; an event at once.
    """

    run_id: int
    kind: str
    reading: Reading | None = None
    event: Event | None = None
    assessment: Assessment | None = None
    text: str = ""
    pulse: Edge | None = None


def told_of(run_id: int, record: Reading | Edge, assessment: Assessment) -> Told:
    """Return what is told of a committed reading, or of a device's pulse."""
    if isinstance(record, Edge):
        return Told(run_id, "reading", assessment=assessment, pulse=record)
    return Told(run_id, "reading", record, assessment=assessment)


Tell = Callable[[Told], None]
