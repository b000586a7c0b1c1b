"""An instrument as the line sees it: messages in, replies out, faults in between."""

import threading
from collections.abc import Iterator
from dataclasses import replace

from benchlog.simulate.bench_wait import Patience
from benchlog.simulate.instruments.faults import IDENTITY, Faults, LineReply
from benchlog.simulate.instruments.scpi_device import MessageOutcome, ScpiDevice
from benchlog.simulate.instruments.scpi_syntax import ScpiError
from benchlog.simulate.instruments.talker import TalkOnlyInstrument
from benchlog.simulate.physics.world import World
from benchlog.simulate.served_log import Truth

TERMINATOR = b"\n"


class Sending:
    """What stations share: replies become due, and are recorded once sent."""

    def __init__(self, name: str, faults: Faults, truth: Truth, world: World) -> None:
        self.name = name
        self.faults = faults
        self.clock = world.clock
        self._truth = truth

    @staticmethod
    def due(reply: LineReply, patience: Patience) -> None:
        """Wait until a reply that is ordered late is due. Raises AbandonedError."""
        if reply.delay_s:
            patience.real(reply.delay_s)

    def sent(self, reply: LineReply) -> None:
        """Record the values of a reply that the line has taken."""
        for served in reply.served:
            self._truth.add(served, self.clock.mono_ns())


class Station(Sending):
    """One SCPI instrument shared by any number of connections, one message at a time.

    Waiting for the instrument is bounded: whoever holds it gives up as soon as its
    client is gone.
    """

    def __init__(
        self, name: str, device: ScpiDevice, faults: Faults, truth: Truth, world: World
    ) -> None:
        super().__init__(name, faults, truth, world)
        self._device = device
        self._lock = threading.Lock()

    def replies(self, message: bytes, patience: Patience) -> tuple[LineReply, ...]:
        """Carry out a message; return what goes to the line. Raises AbandonedError."""
        while not self._lock.acquire(timeout=0.05):
            patience.check()
        try:
            outcome = self._run(message, patience)
        finally:
            self._lock.release()
        if outcome.text is None:
            return ()
        reply = LineReply(data=outcome.text.encode("latin-1") + TERMINATOR)
        return self.faults.shape(replace(reply, served=outcome.served), TERMINATOR)

    def status_byte(self) -> int:
        """Return the status byte; does not wait for the instrument."""
        return self._device.status_byte()

    def complain(self, code: int) -> None:
        """Put an error of the line (-410, -420) into the instrument's queue."""
        self._device.error(ScpiError(code))

    def _run(self, message: bytes, patience: Patience) -> MessageOutcome:
        honest = self._device.identity
        if message.strip().upper() == b"*IDN?" and (
            fault := self.faults.use_up(IDENTITY)
        ):
            self._device.identity = fault.argument
        try:
            return self._device.run(message, patience)
        finally:
            self._device.identity = honest


class TalkingStation(Sending):
    """An instrument that talks by itself, a line after each gate."""

    def __init__(
        self,
        name: str,
        talker: TalkOnlyInstrument,
        faults: Faults,
        truth: Truth,
        world: World,
    ) -> None:
        super().__init__(name, faults, truth, world)
        self._talker = talker

    def replies(self, patience: Patience) -> Iterator[LineReply]:
        """Yield what goes to the line, for ever. Raises AbandonedError."""
        for served in self._talker.values(patience):
            data = served.text.encode("ascii") + TERMINATOR
            yield from self.faults.shape(
                LineReply(data=data, served=(served,)), TERMINATOR
            )
