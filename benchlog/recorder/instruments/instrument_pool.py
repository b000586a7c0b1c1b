"""All instrument processes of one keeper: heard together, ended and restarted alone."""

import selectors
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

from benchlog.clock import Clock, host_deadline
from benchlog.model import EventKind, Identity, InstrumentSpec
from benchlog.recorder.instruments.instrument_handle import InstrumentProcess
from benchlog.recorder.instruments.instrument_messages import Message, Order
from benchlog.recorder.instruments.message_pipe import LEFT_READS

_FAREWELL_S: Final = 1.5  # our rule: a driver closes its port by then
_WEIGH_S: Final = 1.0  # our rule: leaks take longer


@dataclass(frozen=True, slots=True)
class Ended:
    """An instrument's process is no more; it is started again by itself."""

    how: str
    kind: EventKind = EventKind.CRASHED


Heard = tuple[str, Message | Ended]


class InstrumentPool:
    """The instruments by name, waiting in the keeper's selector."""

    def __init__(
        self,
        specs: Iterable[InstrumentSpec],
        clock: Clock,
        selector: selectors.BaseSelector,
        longest_wait_s: float,
        *,
        blocks: bool = False,
    ) -> None:
        self._selector = selector
        specs = tuple(specs)
        inputs = Counter(spec.address for spec in specs if spec.measured_in_turns)
        self._by_name = {
            spec.name: InstrumentProcess(
                spec,
                clock,
                longest_wait_s=longest_wait_s,
                sharers=inputs[spec.address] if spec.measured_in_turns else 1,
                blocks=blocks,
            )
            for spec in specs
        }
        self._weigh = host_deadline(_WEIGH_S)

    def expect(self, identities: Mapping[str, Identity]) -> None:
        """Accept only these instruments, by name; before they are started."""
        for name, identity in identities.items():
            if name in self._by_name:
                self._by_name[name].identity = identity

    @property
    def by_name(self) -> Mapping[str, InstrumentProcess]:
        """The instruments; look, but leave starting and ending to this class."""
        return self._by_name

    def start(self, hold: Iterable[str]) -> None:
        """Start all processes; those in `hold` connect but do not read yet."""
        held = set(hold)
        for name, instrument in self._by_name.items():
            instrument.hold = name in held
            self._start(instrument)

    def order(self, name: str, order: Order) -> None:
        """Tell one instrument."""
        self._by_name[name].order(order)

    def allow(self, name: str, more: int) -> None:
        """Let one instrument read so many values more and then hold."""
        self._by_name[name].allow(more)

    def excuse(self) -> None:
        """Give all of them their time anew: the keeper was not there to hear them."""
        for instrument in self._by_name.values():
            instrument.excuse()

    def lose(self, name: str, why: str) -> list[Heard]:
        """End a process that nobody can hear; it is started again by itself."""
        return self._ended(self._by_name[name], f"{why} and was ", EventKind.CRASHED)

    def left_s(self) -> float:
        """Real seconds until one is overdue or due for its restart."""
        return min((i.left_s() for i in self._by_name.values()), default=60.0)

    def hear(self, name: str) -> list[Heard]:
        """Return what one instrument has said; nothing where it has ended meanwhile."""
        instrument = self._by_name[name]
        if instrument.state == "down":
            return []
        heard = instrument.hear()
        said: list[Heard] = [(name, message) for message in heard or ()]
        if instrument.foreign:
            why = f"wrote what is no message ({instrument.foreign}) and was "
            return [*said, *self._ended(instrument, why, EventKind.CRASHED)]
        if heard is None:
            return self._ended(instrument, "", EventKind.CRASHED)
        return said

    def hear_rest(self, name: str) -> list[Heard]:
        """Return all that one instrument has said by now, as far as a pipe holds it."""
        said: list[Heard] = []
        for _ in range(LEFT_READS):
            more = self.hear(name)
            said += more
            if not more or self._by_name[name].state == "down":
                break
        return said

    def leave_unheard(self, unheard: bool) -> None:
        """Leave those that stream unheard for a while, or hear them again."""
        for name, instrument in self._by_name.items():
            if not instrument.streams or instrument.unheard == unheard:
                continue
            instrument.leave_unheard(unheard)
            if unheard:
                self._selector.unregister(instrument)
            else:
                key = ("instrument", name)
                self._selector.register(instrument, selectors.EVENT_READ, key)

    def tend(self) -> list[Heard]:
        """End what hangs or takes too much, restart what is down; say what happened."""
        happened: list[Heard] = self._weigh_all() if self._weigh.passed else []
        for instrument in self._by_name.values():
            if instrument.state == "down":
                if instrument.restart_at is not None and instrument.restart_at.passed:
                    happened += self._started_again(instrument)
            elif instrument.overdue:
                why = "did not come back in time and was "
                happened += self._ended(instrument, why, EventKind.HUNG)
        return happened

    def _started_again(self, instrument: InstrumentProcess) -> list[Heard]:
        """Start a process anew; where the host has no room, say so and try later."""
        try:
            self._start(instrument)
        except OSError as error:
            why = f"could not be started ({error}); it is tried again"
            return [(instrument.spec.name, Ended(why, EventKind.FAULT))]
        return []

    def _weigh_all(self) -> list[Heard]:
        """End those that leak memory or say too much."""
        self._weigh = host_deadline(_WEIGH_S)
        happened: list[Heard] = []
        for instrument in self._by_name.values():
            kind, why = instrument.excess
            if kind:
                happened += self._ended(instrument, why, EventKind(kind), rest=True)
        return happened

    def finish(self) -> None:
        """End all processes, politely first, all at once."""
        for instrument in self._by_name.values():
            instrument.order(Order.STOP)
        limit = host_deadline(_FAREWELL_S)
        for instrument in self._by_name.values():
            if instrument.state != "down":
                self._forget(instrument)
                instrument.finish(within_s=limit.left_s())

    def drain(self, name: str) -> None:
        """Take what one instrument's process wrote to its standard error."""
        instrument = self._by_name[name]
        if instrument.state != "down" and not instrument.drain_complaints():
            self._selector.unregister(instrument.complaints_fd)

    def _start(self, instrument: InstrumentProcess) -> None:
        instrument.start()
        name, read = instrument.spec.name, selectors.EVENT_READ
        self._selector.register(instrument, read, ("instrument", name))
        self._selector.register(instrument.complaints_fd, read, ("aside", name))

    def _ended(
        self,
        instrument: InstrumentProcess,
        why: str,
        kind: EventKind,
        *,
        rest: bool = False,
    ) -> list[Heard]:
        """End a process; what it had said before counts, then that it has ended."""
        self._forget(instrument)
        how, last_words = instrument.end(rest=rest)
        name = instrument.spec.name
        heard: list[Heard] = [(name, message) for message in last_words]
        return [*heard, (name, Ended(why + how, kind))]

    def _forget(self, instrument: InstrumentProcess) -> None:
        if not instrument.unheard:
            self._selector.unregister(instrument)
        if instrument.complaints_fd in self._selector.get_map():
            self._selector.unregister(instrument.complaints_fd)
