"""The byte link: whole lines or an honest error, over real sockets."""

import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest
from seeds import seeded_random

from benchlog.clock import HostClock, host_deadline, host_sleep
from benchlog.driver_kit.connect import open_link, open_stream
from benchlog.driver_kit.link import Link
from benchlog.driver_kit.serial_line import serial_url
from benchlog.driver_kit.tcp import TcpLink, host_and_port
from benchlog.errors import GarbledError, LostError, SilentError


@contextmanager
def served(serve: Callable[[socket.socket], None]) -> Iterator[TcpLink]:
    """Yield a link to a server that does `serve` with the one connection it gets."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]

        def accept() -> None:
            connection, _ = server.accept()
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            with connection:
                serve(connection)

        thread = threading.Thread(target=accept, daemon=True)
        thread.start()
        link = TcpLink("there", b"\n", "127.0.0.1", port)
        yield link
        link.close()
        thread.join(5)


def until_closed(connection: socket.socket) -> None:
    while connection.recv(100):
        pass


@pytest.mark.parametrize(
    ("address", "expected"),
    [
        ("TCPIP::10.0.0.1::5025::SOCKET", ("10.0.0.1", 5025)),
        ("tcpip0::counter.local::23::socket", ("counter.local", 23)),
        ("TCPIP::::1::5025::SOCKET", ("::1", 5025)),
        ("TCPIP::[fe80::1%eth0]::5025::SOCKET", ("fe80::1%eth0", 5025)),
        ("socket://127.0.0.1:4001", ("127.0.0.1", 4001)),
        ("socket://[::1]:4001", ("::1", 4001)),
        ("192.0.2.10:5025", ("192.0.2.10", 5025)),
        ("counter.local:23", ("counter.local", 23)),
        ("[::1]:5025", ("::1", 5025)),
        ("[fe80::1%eth0]:5025", ("fe80::1%eth0", 5025)),
        ("::1:5025", None),  # the port, or the end of the host?
        ("192.0.2.10:0", None),
        ("192.0.2.10:70000", None),
        ("192.0.2.10", None),
        ("/dev/ttyUSB0:1", None),
        ("TCPIP::10.0.0.1::inst0::INSTR", None),
        ("TCPIP::10.0.0.1::99999::SOCKET", None),
        ("TCPIP::10.0.0.1::0::SOCKET", None),
        ("ASRL/dev/ttyUSB0::INSTR", None),
    ],
)
def test_socket_addresses(address: str, expected: tuple[str, int] | None) -> None:
    assert host_and_port(address) == expected


@pytest.mark.parametrize(
    ("address", "expected"),
    [
        ("ASRL/dev/ttyUSB0::INSTR", "/dev/ttyUSB0"),
        ("/dev/ttyACM0", "/dev/ttyACM0"),
        ("rfc2217://10.0.0.1:4000", "rfc2217://10.0.0.1:4000"),
        ("ASRLloop://::INSTR", "loop://"),
        ("GPIB0::3::INSTR", None),
    ],
)
def test_serial_addresses(address: str, expected: str | None) -> None:
    assert serial_url(address) == expected


def test_lines_are_whole_however_they_are_cut() -> None:
    rng = seeded_random(5)
    lines = [f"{rng.random():.{rng.randint(1, 15)}E}\n".encode() for _ in range(200)]
    stream = b"".join(lines)

    def serve(connection: socket.socket) -> None:
        at = 0
        while at < len(stream):
            size = rng.randint(1, 60)
            connection.sendall(stream[at : at + size])
            at += size
        until_closed(connection)

    with served(serve) as link:
        assert [link.read_line(host_deadline(5)) for _ in lines] == lines
        assert link.waiting() == b""


def test_half_a_line_is_silence_with_its_bytes() -> None:
    def serve(connection: socket.socket) -> None:
        connection.sendall(b"+1.5999")
        until_closed(connection)

    with served(serve) as link, pytest.raises(SilentError) as caught:
        link.read_line(host_deadline(0.2), "READ?")
    said = str(caught.value)
    assert caught.value.raw == b"+1.5999"
    for part in ("there", "READ?", "7 bytes", "'\\n'", "terminator"):
        assert part in said


def test_silence_says_what_was_asked_and_what_to_try() -> None:
    with served(until_closed) as link, pytest.raises(SilentError) as caught:
        link.read_line(host_deadline(0.05), "READ?")
    said = str(caught.value)
    for part in ("there", "READ?", "0 bytes", "'\\n'", "check"):
        assert part in said


def test_a_peer_that_leaves_is_lost_at_once() -> None:
    def serve(connection: socket.socket) -> None:
        connection.sendall(b"+1.5")

    with served(serve) as link:
        began_ns = HostClock().mono_ns()
        with pytest.raises(LostError) as caught:
            link.read_line(host_deadline(10))
        assert HostClock().mono_ns() - began_ns < 1e9
    assert caught.value.raw == b"+1.5"


def test_a_line_without_end_is_given_up() -> None:
    def serve(connection: socket.socket) -> None:
        with pytest.raises(OSError):
            while True:
                connection.sendall(b"8" * 10_000)

    with served(serve) as link:
        with pytest.raises(GarbledError) as caught:
            link.read_line(host_deadline(10))
        link.close()
    assert caught.value.raw == b"8" * 65_536


def test_messages_leave_in_one_write_and_without_delay() -> None:
    chunks: list[bytes] = []

    def serve(connection: socket.socket) -> None:
        chunks.append(connection.recv(1000))

    with served(serve) as link:
        link.send(b"GATE 1", b"GATE?")
        with pytest.raises(LostError):
            link.read_line(host_deadline(5))
        # private: a socket option has no outside
        assert link._socket.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)
        assert link._socket.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE)
    assert chunks == [b"GATE 1\nGATE?\n"]


def test_what_waits_is_taken_without_waiting() -> None:
    def serve(connection: socket.socket) -> None:
        connection.sendall(b"late\n")
        until_closed(connection)

    with served(serve) as link:
        host_sleep(0.1)
        assert link.waiting() == b"late\n"
        assert link.waiting() == b""


# PyVISA-py leaves the socket of a failed attempt to the garbage collector.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.parametrize(
    "address",
    [
        "TCPIP::127.0.0.1::1::SOCKET",
        "TCPIP::no-such-host.invalid::5025::SOCKET",
        "socket://127.0.0.1:1",
        "rfc2217://127.0.0.1:1",
        "ASRL/dev/not-a-port::INSTR",
        "/dev/null",
        "nonsense://",
        "TCPIP::127.0.0.1::hislip0,1::INSTR",
        "TCPIP::127.0.0.1,1::inst0::INSTR",
        "not an address",
        "",
    ],
)
def test_nobody_there_is_lost(address: str) -> None:
    with pytest.raises(LostError) as caught:
        opened: Link = open_link(address, "\n", {})
        opened.send(b"*IDN?")  # VXI-11 of PyVISA-py notices only now
    assert address in str(caught.value)


def test_a_stream_is_not_a_bus() -> None:
    with pytest.raises(LostError, match="neither a serial line"):
        open_stream("GPIB0::3::INSTR", "\n", {})


def test_a_library_that_is_not_there() -> None:
    with pytest.raises(LostError, match="cannot load the VISA library"):
        open_link("GPIB0::3::INSTR", "\n", {"visa_library": "/nowhere/libvisa.so"})
