"""A counter on GPIB behind a bridge of `++` commands, over a real pty and a socket.

The bridge here is an independent small one: it keeps what the instrument answered until
it is told to read, as a bus does, and gives nothing by itself.
"""

import threading
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from benchlog_drivers.scpi_counter import ScpiCounter

from benchlog.catalogue import load_dialect
from benchlog.clock import HostClock, host_sleep
from benchlog.errors import SilentError
from benchlog.testing import PtyPeer, TcpPeer
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


@pytest.mark.parametrize("kind", [PtyPeer, TcpPeer])
def test_a_counter_behind_a_bridge_is_read(kind: type[Peer]) -> None:
    bridge = Bridge()
    with kind(bridge) as peer, counter(peer) as one:
        one.open()
        assert one.identify().model == "BUS COUNTER"
        assert one.read().value == pytest.approx(15_999_852.0)
    assert bridge.set["mode"] == "1" and bridge.set["auto"] == "0"
    assert bridge.set["savecfg"] == "0"  # its permanent memory wears out
    assert "clr" in bridge.set
    assert "CONFigure:FREQuency" in bridge.heard


def test_a_slow_answer_is_read_at_a_later_turn() -> None:
    bridge = Bridge()
    with TcpPeer(bridge) as peer, counter(peer, extra_s=5.0) as one:
        one.open()
        bridge.late = 1
        assert one.read().value == pytest.approx(15_999_852.0)
        assert bridge.late == 0


def test_another_address_on_the_bus_is_silence_that_names_it() -> None:
    with TcpPeer(Bridge(primary=9)) as peer, counter(peer) as one:
        with pytest.raises(SilentError, match="3 is the address set at the instrument"):
            one.open()
        host_sleep(0.01)


def test_what_is_special_to_a_bridge_is_escaped() -> None:
    from benchlog.driver_kit.connect import open_link

    bridge = Bridge()
    with TcpPeer(bridge) as peer:
        link = open_link(peer.address, "\n", {"gpib_address": 3})
        link.send(b"FORM +1")
        while not bridge.heard:
            host_sleep(0.01)
        link.close()
    assert bridge.heard == ["FORM \x1b+1"]


def test_only_a_stream_can_lead_to_such_a_bridge() -> None:
    wanted = ScpiCounter.address_wanted("USB0::1::2::3::INSTR", {"gpib_address": 3})
    assert "HOST:PORT" in wanted
    assert ScpiCounter.address_wanted("192.0.2.31:1234", {"gpib_address": 3}) == ""
