"""Lines over a serial port, or over anything that pySerial opens like one."""

import contextlib
import re
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
        "parity bit on a serial line",
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
)
"""Options of every driver that may sit on a serial line; ignored on other links."""

_SLICE_S: Final = 0.05  # pySerial reconfigures the port when its timeout changes
_SEND_S: Final = 2.0
# What pySerial is known to raise: its own errors are OSErrors, a port closed or
# unplugged under a call gives TypeError or ValueError, an option that a URL does not
# know ValueError or NotImplementedError.
_FAULTS: Final = (OSError, TypeError, ValueError, NotImplementedError)


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
    """Open what `serial_url` found at `address`. Raises LostError."""
    try:
        return serial.serial_for_url(  # type: ignore[no-untyped-call]
            url, **_arguments(url, settings)
        )
    except _FAULTS as error:
        raise LostError(
            f"cannot open the serial line {address} ({error}); is it plugged in, "
            "yours to use, and not open elsewhere?",
            address=address,
        ) from error


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
