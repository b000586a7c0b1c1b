"""What a keeper tells whoever started it, as it happens."""

from collections.abc import Callable
from dataclasses import dataclass

from benchlog.model import Edge, Event, Reading
from benchlog.verdict.run.assessment import Assessment


@dataclass(frozen=True, slots=True, kw_only=True)
class RunNotice:
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


def notice_of(run_id: int, record: Reading | Edge, assessment: Assessment) -> RunNotice:
    """Return what is told of a committed reading, or of a device's pulse."""
    if isinstance(record, Edge):
        return RunNotice(
            run_id=run_id, kind="reading", assessment=assessment, pulse=record
        )
    return RunNotice(
        run_id=run_id, kind="reading", reading=record, assessment=assessment
    )


def event_notice(run_id: int, event: Event) -> RunNotice:
    """Return what is told of an event."""
    return RunNotice(run_id=run_id, kind="event", event=event)


Tell = Callable[[RunNotice], None]
