"""Looking on a network: real datagrams on loopback, from responders of our own."""

import socket
import struct
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchlog.cli.tasks.host.lan import Heard, Interface, interface, search
from benchlog.errors import UsageError

LOOPBACK = Interface("127.0.0.1", "127.255.255.255")
GROUP = "224.0.0.251"
WAIT_S = 0.4

Answer = Callable[[bytes], list[bytes]]


@contextmanager
def responder(bound_to: str, answer: Answer) -> Iterator[int]:
    """Answer datagrams that come to an address of everybody, from 127.0.0.1."""
    heard = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    heard.bind((bound_to, 0))
    if bound_to == GROUP:
        member = socket.inet_aton(GROUP) + socket.inet_aton("127.0.0.1")
        heard.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, member)
    heard.settimeout(0.05)
    ended = threading.Event()

    def serve() -> None:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as replying:
            replying.bind(("127.0.0.1", 0))
            while not ended.is_set():
                try:
                    data, sender = heard.recvfrom(9_000)
                except TimeoutError:
                    continue
                for reply in answer(data):
                    replying.sendto(reply, sender)

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield heard.getsockname()[1]
    finally:
        ended.set()
        thread.join(5)
        heard.close()


def portmap_answer(call: bytes) -> list[bytes]:
    """RFC 1833 PMAPPROC_GETPORT of the VXI-11 core channel (program 395183)."""
    xid, kind, rpc, program, version, procedure = struct.unpack(">6I", call[:24])
    assert (kind, rpc, program, version, procedure) == (0, 2, 100_000, 2, 3)
    assert struct.unpack(">4I", call[40:56])[:3] == (395_183, 1, 6)
    return [struct.pack(">7I", xid, 1, 0, 0, 0, 0, 1024)]


def test_a_broadcast_finds_vxi11_instruments() -> None:
    with responder("127.255.255.255", portmap_answer) as port:
        found = search(LOOPBACK, wait_s=WAIT_S, portmapper=port, mdns=(GROUP, 9))
    assert found == [Heard("TCPIP::127.0.0.1::inst0::INSTR", "VXI-11")]


def encoded(name: str) -> bytes:
    return b"".join(bytes([len(p)]) + p.encode() for p in name.split(".")) + b"\0"


def record(name: bytes, kind: int, contents: bytes) -> bytes:
    return name + struct.pack(">HHIH", kind, 1, 120, len(contents)) + contents


def service_answer(question: bytes) -> list[bytes]:
    """RFC 6762: three services of one instrument, names compressed after RFC 1035."""
    head = struct.unpack(">6H", question[:12])
    assert head[1] == 0 and head[2] == 3
    assert encoded("_hislip._tcp.local") in question
    reply = struct.pack(">6H", head[0], 0x8400, 0, 3, 0, 2)
    for service, port in (("_hislip", 4880), ("_scpi-raw", 5025), ("_vxi-11", 111)):
        del port
        domain = encoded(f"{service}._tcp.local")
        at = len(reply)
        instance = b"\x0aBench count"[:11] + struct.pack(">H", 0xC000 | at)
        reply += record(domain, 12, instance)
    for service, port in (("_hislip", 4890), ("_scpi-raw", 5025)):
        name = b"\x0aBench coun" + encoded(f"{service}._tcp.local")
        reply += record(name, 33, struct.pack(">HHH", 0, 0, port) + encoded("a.local"))
    return [reply]


def test_a_multicast_finds_services_with_their_ports() -> None:
    with responder(GROUP, service_answer) as port:
        found = search(LOOPBACK, wait_s=WAIT_S, portmapper=9, mdns=(GROUP, port))
    assert [one.address for one in found] == [
        "127.0.0.1:5025",
        "TCPIP::127.0.0.1::hislip0,4890::INSTR",
        "TCPIP::127.0.0.1::inst0::INSTR",
    ]
    assert found[0].description == "Bench coun (scpi-raw)"


def test_one_who_tells_of_any_number_is_not_believed() -> None:
    """Ports of services without end, from one responder, in one second."""
    server = encoded("_scpi-raw._tcp.local")

    def many(_: bytes) -> list[bytes]:
        replies = []
        for start in range(0, 600, 20):
            reply = struct.pack(">6H", 0, 0x8400, 0, 40, 0, 0)
            for port in range(1_000 + start, 1_020 + start):
                name = encoded(f"counter-{port}._scpi-raw._tcp.local")
                reply += record(name, 33, struct.pack(">3H", 0, 0, port) + b"\0")
                reply += record(server, 12, name)
            replies.append(reply)
        return replies

    with responder(GROUP, many) as port:
        found = search(LOOPBACK, wait_s=WAIT_S, portmapper=9, mdns=(GROUP, port))
    assert len(found) == 200


def test_a_name_that_points_at_itself_ends() -> None:
    loop = struct.pack(">6H", 1, 0x8400, 0, 1, 0, 0) + b"\xc0\x0c"
    with responder(GROUP, lambda _: [loop, loop]) as port:
        assert search(LOOPBACK, wait_s=0.1, portmapper=9, mdns=(GROUP, port)) == []


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.binary(max_size=200), max_size=5))
def test_whatever_comes_back_is_read_with_care(replies: list[bytes]) -> None:
    headed = [struct.pack(">6H", 1, 0x8400, 0, 2, 0, 0) + one for one in replies]
    with responder(GROUP, lambda _: [*replies, *headed]) as port:
        search(LOOPBACK, wait_s=0.02, portmapper=9, mdns=(GROUP, port))


def test_nobody_there_is_nothing() -> None:
    assert search(LOOPBACK, wait_s=0.05, portmapper=9, mdns=(GROUP, 9)) == []


def test_an_interface_by_name_or_by_address() -> None:
    assert interface("192.0.2.5/24") == Interface("192.0.2.5", "192.0.2.255")
    assert interface("lo") == LOOPBACK
    with pytest.raises(UsageError, match="no network interface 'none-such'"):
        interface("none-such")
    with pytest.raises(UsageError, match=r"192\.0\.2\.5/24"):
        interface("192.0.2.5/99")
