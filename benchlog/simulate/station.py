"""An instrument as the line sees it: messages in, replies out, faults in between."""

import threading
from collections.abc import Callable
from dataclasses import replace

from benchlog.simulate.faults import IDENTITY, Faults, Reply
from benchlog.simulate.patience import Patience
from benchlog.simulate.scpi_device import Outcome, ScpiDevice
from benchlog.simulate.truth import Truth
from benchlog.simulate.world import World

TERMINATOR = b"\n"


class Station:
    """One SCPI instrument shared by any number of connections, one message at a time.

    Waiting for the instrument is bounded: whoever holds it gives up as soon as its
    client is gone.
    """

    def __init__(
        self, name: str, device: ScpiDevice, faults: Faults, truth: Truth, world: World
    ) -> None:
        self.name = name
        self.faults = faults
        self.clock = world.clock
        self._device = device
        self._truth = truth
        self._lock = threading.Lock()

    def replies(self, message: bytes, patience: Patience) -> tuple[Reply, ...]:
        """Carry out a message; return what goes to the line. Raises AbandonedError."""
        while not self._lock.acquire(timeout=0.05):
            patience.check()
        try:
            outcome = self._run(message, patience)
        finally:
            self._lock.release()
        if outcome.text is None:
            return ()
        reply = Reply(outcome.text.encode("latin-1") + TERMINATOR)
        reply = replace(reply, served=outcome.served)
        return self.faults.shape(reply, TERMINATOR)

    def deliver(
        self, reply: Reply, patience: Patience, send: Callable[[Reply], None]
    ) -> None:
        """Send one reply when it is due and record it as sent."""
        if reply.delay_s:
            patience.real(reply.delay_s)
        send(reply)
        for served in reply.served:
            self._truth.add(served, self.clock.mono_ns())

    def _run(self, message: bytes, patience: Patience) -> Outcome:
        honest = self._device.identity
        if message.strip().upper() == b"*IDN?" and (
            fault := self.faults.take(IDENTITY)
        ):
            self._device.identity = fault.argument
        try:
            return self._device.run(message, patience)
        finally:
            self._device.identity = honest
