"""The runs a keeper has open, and the one way to write an event into them."""

from collections.abc import Callable
from dataclasses import dataclass, field

from benchlog.model import Event
from benchlog.recorder.ledger import Ledger
from benchlog.recorder.liverun import LiveRun


@dataclass(slots=True)
class OpenRuns:
    """Open runs by id, and `ids` of all that were begun here, in order."""

    ledger: Ledger
    tell_event: Callable[[int, Event], None]
    by_id: dict[int, LiveRun] = field(default_factory=dict)
    ids: list[int] = field(default_factory=list)

    def all(self) -> list[LiveRun]:
        """Return the open runs; safe to end some while going through them."""
        return list(self.by_id.values())

    def using(self, name: str) -> list[LiveRun]:
        """Return the open runs whose position uses an instrument."""
        return [run for run in self.by_id.values() if name in run.instruments]

    def note(
        self, run: LiveRun, kind: str, text: str, instrument: str = "", raw: bytes = b""
    ) -> None:
        """Write an event into a run."""
        self.add_event(run, run.event(kind, text, instrument=instrument, raw=raw))

    def add_event(self, run: LiveRun, event: Event) -> None:
        """Write an event that was made elsewhere into a run."""
        self.ledger.add((run.run_id, run.segment_id, event))
        self.tell_event(run.run_id, event)
