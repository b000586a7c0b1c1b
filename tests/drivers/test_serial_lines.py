"""DTR and RTS as a bench file wants them: held while open, and left so when closed."""

import fcntl
import itertools
import os
import socket
import struct
import subprocess
import sys
import termios
import threading
from pathlib import Path

import pytest
import serial
from serial import rfc2217

from benchlog.driver_kit.connect import open_stream
from benchlog.driver_kit.numbers import parse_reply
from benchlog.driver_kit.serial_line import open_port
from benchlog.errors import GarbledError
from benchlog.model import Dialect
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


@pytest.mark.parametrize("parity", ["even", "odd", "mark", "space"])
def test_parity_is_checked_where_it_is_stated(parity: str) -> None:
    """POSIX termios: with INPCK alone a byte with wrong parity arrives as NUL."""
    with PtyPeer(Talker("1")) as peer:
        port = open_port(peer.address, peer.address, {"parity": parity})
        found = termios.tcgetattr(port.fileno())[0]
        port.close()
    assert found & termios.INPCK
    assert not found & (termios.IGNPAR | termios.PARMRK | termios.ISTRIP)


def test_a_line_without_parity_is_left_as_it_was() -> None:
    with PtyPeer(Talker("1")) as peer:
        port = open_port(peer.address, peer.address, {"parity": "none"})
        assert not termios.tcgetattr(port.fileno())[0] & termios.INPCK
        port.close()


def test_a_digit_that_arrived_with_wrong_parity_is_no_digit() -> None:
    plain = Dialect(name="plain", talks="line")
    for at in range(8):
        line = bytearray(b"16000000\n")
        line[at] = 0
        with pytest.raises(GarbledError):
            parse_reply(bytes(line), plain, "Hz")


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


def test_a_port_without_the_right_to_it_names_the_remedy(tmp_path: Path) -> None:
    """As nobody, in a process of its own, on a device file that is root's alone."""
    closed = tmp_path / "port"
    closed.write_text("")
    closed.chmod(0o000)
    code = (
        "import os, sys\n"
        "from benchlog.driver_kit.serial_line import open_port\n"
        "import serial.serialposix\n"
        "if os.geteuid() == 0: os.setgroups([]); os.setgid(65534); os.setuid(65534)\n"
        "try: open_port(sys.argv[1], sys.argv[1], {})\n"
        "except Exception as error: print(type(error).__name__, error)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(closed)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.stdout.startswith("LostError you have no right"), done
    assert "benchlog doctor" in done.stdout


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
