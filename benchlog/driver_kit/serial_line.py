"""Lines over a serial port, or over anything that pySerial opens like one."""

import contextlib
import errno
import os
import re
import struct
from collections.abc import Mapping
from typing import Any, Final

import serial

from benchlog.driver import Option
from benchlog.driver_kit.link import StreamLink
from benchlog.errors import LostError

SERIAL_OPTIONS: Final = (
    Option("baud", int, 9600, "bits per second on a serial line", low=50, high=4e6),
    Option("bytesize", int, 8, "data bits on a serial line", choices=(5, 6, 7, 8)),
    Option(
        "parity",
        str,
        "none",
        "parity bit on a serial line; a byte with a wrong one spoils its line",
        choices=("none", "even", "odd", "mark", "space"),
    ),
    Option(
        "stopbits", float, 1.0, "stop bits on a serial line", choices=(1.0, 1.5, 2.0)
    ),
    Option(
        "flow",
        str,
        "none",
        "flow control on a serial line",
        choices=("none", "rtscts", "xonxoff"),
    ),
    Option(
        "dtr",
        bool,
        None,
        "whether DTR is held active on a serial line, and left so; opening may reset "
        "a board",
    ),
    Option("rts", bool, None, "whether RTS is held active, in the same way"),
)
"""Options of every driver that may sit on a serial line; ignored on other links."""

_SLICE_S: Final = 0.05  # pySerial reconfigures the port when its timeout changes
_SEND_S: Final = 2.0
# What pySerial is known to raise: its own errors are OSErrors, a port closed or
# unplugged under a call gives TypeError or ValueError, an option that a URL does not
# know ValueError or NotImplementedError.
_FAULTS: Final = (OSError, TypeError, ValueError, NotImplementedError)
_LINES: Final = ("dtr", "rts")
_NO_LINES: Final = (errno.ENOTTY, errno.EINVAL)


_DEVICE: Final = re.compile(r"/.*|COM\d+", re.IGNORECASE)


def serial_url(address: str) -> str | None:
    """Return what pySerial opens for `address`, None when it is no serial line.

    A serial line is a device path, a pySerial URL (`rfc2217://host:port`,
    `socket://host:port`, `loop://`) or either of them as `ASRL...::INSTR`.
    """
    upper = address.upper()
    if upper.startswith("ASRL") and upper.endswith("::INSTR"):
        return address[4:-7]
    is_url = "://" in address
    return address if is_url or _DEVICE.fullmatch(address) else None


def open_port(address: str, url: str, settings: Mapping[str, object]) -> Any:
    """Open what `serial_url` found at `address`. Raises LostError.

    The options `dtr` and `rts` are for boards that such a line resets. What is given is
    held while the port is open and stays when it is closed. Linux raises both lines
    whenever a port is opened: a line that was left active sees no edge then, so a board
    that resets when DTR rises is left alone with `dtr = true`, from the second opening
    after it was plugged in.
    """
    given = {name: settings.get(name) for name in _LINES}
    wanted = {name: bool(state) for name, state in given.items() if state is not None}
    try:
        port = serial.serial_for_url(  # type: ignore[no-untyped-call]
            url, do_not_open=True, **_arguments(url, settings)
        )
        _open(port, wanted, is_device=os.name == "posix" and "://" not in url)
        return port
    except _FAULTS as error:
        if isinstance(error, OSError) and error.errno == errno.EACCES:
            raise LostError(
                f"you have no right to use the serial line {address}; `benchlog "
                "doctor` prints the command that gives it",
                address=address,
            ) from error
        raise LostError(
            f"cannot open the serial line {address} ({error}); is it plugged in, "
            "yours to use, and not open elsewhere?",
            address=address,
        ) from error


def _open(port: Any, wanted: Mapping[str, bool], *, is_device: bool) -> None:
    """Open a port with its lines as wanted; closed again when that fails."""
    if not is_device:  # these set their lines as they open
        for name, state in wanted.items():
            setattr(port, name, state)
    port.open()
    if not is_device:
        return
    try:
        if port.parity != serial.PARITY_NONE:
            _check_parity(port.fileno())
        if wanted:
            _hold_lines(port.fileno(), wanted)
    except BaseException:
        port.close()
        raise


def _check_parity(fd: int) -> None:
    """Let a byte with wrong parity, or without a stop bit, arrive as NUL.

    pySerial switches the check of what comes in off, so that such a byte would be one
    digit for another. No line with a NUL in it is a number (termios(3): INPCK without
    IGNPAR and PARMRK).
    """
    import termios  # noqa: PLC0415 - not on every system

    attributes = termios.tcgetattr(fd)
    attributes[0] |= termios.INPCK
    attributes[0] &= ~(termios.IGNPAR | termios.PARMRK | termios.ISTRIP)
    termios.tcsetattr(fd, termios.TCSANOW, attributes)


def _hold_lines(fd: int, wanted: Mapping[str, bool]) -> None:
    """Set the lines given in one request, and let closing the port leave them alone.

    One after the other they would pass through a state that resets boards whose two
    lines work together. What has no such lines, as a pseudo-terminal, keeps none.
    """
    import fcntl  # noqa: PLC0415 - not on every system
    import termios  # noqa: PLC0415

    masks = {"dtr": termios.TIOCM_DTR, "rts": termios.TIOCM_RTS}
    attributes = termios.tcgetattr(fd)
    attributes[2] &= ~termios.HUPCL
    termios.tcsetattr(fd, termios.TCSANOW, attributes)
    try:
        bits = struct.unpack("I", fcntl.ioctl(fd, termios.TIOCMGET, bytes(4)))[0]
        for name, state in wanted.items():
            bits = bits | masks[name] if state else bits & ~masks[name]
        fcntl.ioctl(fd, termios.TIOCMSET, struct.pack("I", bits))
    except OSError as error:
        if error.errno not in _NO_LINES:
            raise


class SerialLineLink(StreamLink):
    """An open serial line. Raises LostError when it cannot be opened."""

    advice = "check cable, baud rate and parity, and that this is the right port"

    def __init__(
        self,
        address: str,
        terminator: bytes,
        url: str,
        settings: Mapping[str, object],
    ) -> None:
        super().__init__(address, terminator)
        self._port = open_port(address, url, settings)

    def _write(self, data: bytes) -> None:
        try:
            self._port.write(data)
        except _FAULTS as error:
            raise self.lost(error) from error

    def _receive(self, real_s: float) -> bytes:
        try:
            if real_s == 0.0 and not self._port.in_waiting:
                return b""
            # One byte wakes us, the rest of what is there comes along.
            first = bytes(self._port.read(1))
            more = self._port.in_waiting if first else 0
            return first + (bytes(self._port.read(more)) if more else b"")
        except _FAULTS as error:
            raise self.lost(error) from error

    def close(self) -> None:
        """See `Link.close`."""
        with contextlib.suppress(*_FAULTS):
            self._port.close()


def _arguments(url: str, settings: Mapping[str, object]) -> dict[str, object]:
    """Return pySerial's arguments for our options."""
    flow = settings.get("flow", "none")
    arguments: dict[str, object] = {
        "baudrate": settings.get("baud", 9600),
        "bytesize": settings.get("bytesize", 8),
        "parity": str(settings.get("parity", "none"))[0].upper(),
        "stopbits": settings.get("stopbits", 1.0),
        "rtscts": flow == "rtscts",
        "xonxoff": flow == "xonxoff",
        "timeout": _SLICE_S,
    }
    if "://" not in url:  # the network protocols know neither of these
        arguments["write_timeout"] = _SEND_S
        arguments["exclusive"] = True  # two programs on one line get half of it each
    return arguments
