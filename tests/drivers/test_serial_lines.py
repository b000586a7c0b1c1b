"""DTR and RTS as a bench file wants them: held while open, and left so when closed."""

import fcntl
import itertools
import os
import socket
import struct
import termios
import threading
from pathlib import Path

import pytest
import serial
from serial import rfc2217

from benchlog.driver_kit.connect import open_stream
from benchlog.driver_kit.serial_line import open_port
from benchlog.testing import PtyPeer, Talker

PORT = "/dev/ttyS0"
MASKS = {"dtr": termios.TIOCM_DTR, "rts": termios.TIOCM_RTS}


def hangs_up(port: serial.Serial) -> bool:
    """Whether closing lets go of DTR: the flag HUPCL of POSIX termios."""
    return bool(termios.tcgetattr(port.fileno())[2] & termios.HUPCL)


def let_go_at_closing(path: str) -> None:
    """Set HUPCL, as a serial port has it from the system; a pseudo-terminal has not."""
    fd = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    attributes = termios.tcgetattr(fd)
    attributes[2] |= termios.HUPCL
    termios.tcsetattr(fd, termios.TCSANOW, attributes)
    os.close(fd)


def lines_of(port: serial.Serial) -> dict[str, bool]:
    bits = struct.unpack("I", fcntl.ioctl(port.fileno(), termios.TIOCMGET, bytes(4)))[0]
    return {name: bool(bits & mask) for name, mask in MASKS.items()}


def has_modem_lines() -> bool:
    try:
        fd = os.open(PORT, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    except OSError:
        return False
    try:
        fcntl.ioctl(fd, termios.TIOCMGET, bytes(4))
    except OSError:
        return False
    finally:
        os.close(fd)
    return True


@pytest.mark.parametrize("settings", [{"dtr": True}, {"rts": False}])
def test_closing_a_port_leaves_its_lines_alone_when_one_is_named(
    settings: dict[str, bool],
) -> None:
    with PtyPeer(Talker("1")) as peer:
        let_go_at_closing(peer.address)
        port = open_port(peer.address, peer.address, settings)
        assert not hangs_up(port)
        port.close()


def test_nothing_is_changed_when_no_line_is_named() -> None:
    with PtyPeer(Talker("1")) as peer:
        let_go_at_closing(peer.address)
        port = open_port(peer.address, peer.address, {})
        assert hangs_up(port)
        port.close()


def test_a_port_without_such_lines_still_opens() -> None:
    with PtyPeer(Talker("16000000")) as peer:
        link = open_stream(peer.address, "\n", {"dtr": False, "rts": False})
        link.close()
        assert Path(peer.address).exists()


@pytest.mark.skipif(not has_modem_lines(), reason=f"{PORT} has no modem lines here")
def test_a_real_port_holds_what_is_given() -> None:
    try:
        for dtr, rts in itertools.product((True, False), repeat=2):
            port = open_port(PORT, PORT, {"dtr": dtr, "rts": rts})
            held = lines_of(port)
            port.close()
            assert held == {"dtr": dtr, "rts": rts}
    finally:
        let_go_at_closing(PORT)  # as it was found


def test_over_the_network_the_far_port_is_told() -> None:
    """RFC 2217 on loopback; the far port is pySerial's own loop."""
    far = serial.serial_for_url("loop://", timeout=0.05)
    with FarPort(far) as address:
        port = open_port(address, address, {"dtr": False, "rts": False})
        try:
            assert (far.dtr, far.rts) == (False, False)
        finally:
            port.close()


class FarPort:
    """One connection to a port manager of RFC 2217."""

    def __init__(self, far: serial.SerialBase) -> None:
        self.far, self.ended = far, threading.Event()
        self.server = socket.create_server(("127.0.0.1", 0))
        self.thread = threading.Thread(target=self.serve, daemon=True)

    def __enter__(self) -> str:
        self.thread.start()
        return f"rfc2217://127.0.0.1:{self.server.getsockname()[1]}"

    def __exit__(self, *_: object) -> None:
        self.ended.set()
        self.server.close()
        self.thread.join(5)

    def serve(self) -> None:
        connection, _ = self.server.accept()
        connection.settimeout(0.05)
        sender = type("Sender", (), {"write": staticmethod(connection.sendall)})
        manager = rfc2217.PortManager(self.far, sender())
        while not self.ended.is_set():
            try:
                data = connection.recv(1024)
            except TimeoutError:
                continue
            except OSError:
                break
            if not data:
                break
            list(manager.filter(data))
        connection.close()
