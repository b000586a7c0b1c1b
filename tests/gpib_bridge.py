"""A small bridge of `++` commands with one instrument on its bus, and a counter on it.

It keeps what the instrument answered until it is told to read, as a bus does, and gives
nothing by itself.
"""

import threading
from collections.abc import Iterator
from contextlib import contextmanager

from benchlog_drivers.scpi_counter import ScpiCounter

from benchlog.catalogue import load_dialect
from benchlog.clock import HostClock
from benchlog.testing.peers import Peer
from benchlog.testing.scripts import Behaviour, Channel

ANSWERS = {
    "*IDN?": "MAKER,BUS COUNTER,7,1.0",
    "SYSTem:ERRor?": '0,"No error"',
    "SENSe:FREQuency:APERture?": "0.02",
    "READ?": "1.5999852E+07",
}


class Bridge(Behaviour):
    """A bridge with one instrument at `primary`; `late` reads find nothing yet."""

    def __init__(self, primary: int = 3, late: int = 0) -> None:
        super().__init__()
        self.primary, self.late = primary, late
        self.heard: list[str] = []
        self.set: dict[str, str] = {}
        self.output: list[str] = []

    def serve(self, channel: Channel, stopped: threading.Event) -> None:
        waiting = b""
        while not stopped.is_set():
            arrived = channel.receive(0.01)
            if arrived is None:
                return
            *lines, waiting = (waiting + arrived).split(b"\n")
            for line in lines:
                self.take_line(line.decode("latin-1"), channel)

    def take_line(self, line: str, channel: Channel) -> None:
        if line == "++read eoi":
            if self.late and self.output:
                self.late -= 1
            elif self.output:
                channel.send(self.output.pop(0).encode() + b"\n")
        elif line.startswith("++"):
            name, _, value = line[2:].partition(" ")
            self.set[name] = value
        elif self.set.get("addr") == str(self.primary):
            self.heard.append(line)
            if line in ANSWERS:
                self.output.append(ANSWERS[line])


@contextmanager
def counter(peer: Peer, **options: object) -> Iterator[ScpiCounter]:
    given = {"dialect": load_dialect("scpi-1999"), "gate_s": 0.02, "gpib_address": 3}
    made = ScpiCounter(peer.address, given | options, HostClock())
    try:
        yield made
    finally:
        made.close()
