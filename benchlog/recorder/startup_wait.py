"""What a soak waits for before it begins: each cause told once, kept for the run."""

from collections.abc import Iterator
from dataclasses import dataclass, field

from benchlog.clock import Clock
from benchlog.recorder.instruments.instrument_messages import Failed, Message
from benchlog.recorder.instruments.instrument_pool import Ended
from benchlog.units import NS_PER_S, format_duration, printable


@dataclass(slots=True)
class _Wait:
    since_mono_ns: int
    said: list[str] = field(default_factory=list)


class StartupWait:
    """Instruments that did not answer at once, and what was said of them."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._by_name: dict[str, _Wait] = {}

    def heard(self, name: str, message: Message | Ended) -> str:
        """Take in what an instrument said; return what is news to a person."""
        match message:
            case Failed():
                said = f"{message.kind}: {message.message}"
            case Ended():
                said = f"{message.kind}: its process {message.how}"
            case _:
                return ""
        wait = self._by_name.setdefault(name, _Wait(self._clock.mono_ns()))
        if said in wait.said:
            return ""
        wait.said = [*wait.said, said][-8:]
        return printable(f"waiting for {name!r}: {said}")

    def over(self) -> Iterator[tuple[str, str]]:
        """Yield each instrument that was waited for, with how long and why."""
        for name, wait in self._by_name.items():
            waited_s = (self._clock.mono_ns() - wait.since_mono_ns) / NS_PER_S
            why = "; ".join(wait.said)
            text = f"{name!r} was waited for {format_duration(waited_s)} ({why})"
            yield name, printable(text)
