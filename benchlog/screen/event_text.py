"""Events in words, and as letters under the chart."""

from collections.abc import Iterable
from datetime import datetime
from typing import Final

from benchlog.model import Event, EventKind
from benchlog.plotting.offset_trace import Timeline
from benchlog.units import NS_PER_S, printable

LETTERS: Final = {
    EventKind.MARK: "m",
    EventKind.NOTE: "n",
    EventKind.PAUSED: "p",
    EventKind.ALARM: "!",
    EventKind.STEP: "!",
    EventKind.LOST: "!",
    EventKind.SILENT: "!",
    EventKind.NO_SIGNAL: "!",
    EventKind.OVERLOAD: "!",
    EventKind.HUNG: "!",
    EventKind.CRASHED: "!",
    EventKind.GARBLED: "!",
    EventKind.OUT_OF_STEP: "!",
    EventKind.OUT_OF_TURN: "!",
    EventKind.WRONG_INSTRUMENT: "!",
    EventKind.IN_USE: "!",
    EventKind.READINGS_LOST: "!",
    EventKind.LEAKED: "!",
    EventKind.FLOODED: "!",
    EventKind.ASLEEP: "!",
    EventKind.FROZEN: "!",
    EventKind.FAULT: "!",
    EventKind.GAP: "!",
    EventKind.REFERENCE_LOST: "!",
    EventKind.DISK_LOW: "!",
}
"""What is shown under the chart; `!` is trouble."""
_SAYS_ENOUGH: Final = {EventKind.PAUSED, EventKind.RESUMED}


def local_time(utc_ns: int) -> str:
    """Return the time of day here, for an event of now."""
    return _local(utc_ns).strftime("%H:%M:%S")


def local_date(utc_ns: int) -> str:
    """Return date and time here, to the minute."""
    return _local(utc_ns).strftime("%Y-%m-%d %H:%M")


def event_words(event: Event) -> str:
    """Return when, what, and what was said of it; safe to print."""
    kind = event.kind.replace("-", " ")
    text = " ".join(event.text.split()) if event.text else ""
    said = text if not text or event.kind in _SAYS_ENOUGH else f"{kind}: {text}"
    who = f" ({event.instrument})" if event.instrument else ""
    return printable(f"{local_time(event.utc_ns)}  {said or kind}{who}")


def marks(events: Iterable[Event], timeline: Timeline) -> list[tuple[float, str]]:
    """Return where on the time axis which letter stands; trouble wins a place."""
    found = [
        (timeline.at_s(event.utc_ns, event.mono_ns), LETTERS[EventKind(event.kind)])
        for event in events
        if event.kind in LETTERS
    ]
    return sorted(found, key=lambda mark: mark[1] == "!")


def _local(utc_ns: int) -> datetime:
    return datetime.fromtimestamp(utc_ns / NS_PER_S).astimezone()
