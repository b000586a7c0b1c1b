"""A counter on GPIB behind a bridge of `++` commands, over a real pty and a socket."""

import pytest
from benchlog_drivers.scpi_counter import ScpiCounter
from gpib_bridge import Bridge, counter

from benchlog.clock import host_sleep
from benchlog.errors import SilentError
from benchlog.testing import PtyPeer, TcpPeer
from benchlog.testing.peers import Peer


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
