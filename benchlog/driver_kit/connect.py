"""From an address to an open link: which transport serves which address."""

import re
from collections.abc import Mapping
from typing import Final

from benchlog.driver import Option
from benchlog.driver_kit.gpib_bridge import LINE_END, GpibBridgeLink
from benchlog.driver_kit.link import Link, StreamLink
from benchlog.driver_kit.serial_line import SERIAL_OPTIONS, SerialLineLink, serial_url
from benchlog.driver_kit.tcp import TcpLink, host_and_port
from benchlog.errors import LostError

PURE_PYTHON: Final = "@py"
STREAM_WANTED: Final = (
    "a serial device such as /dev/ttyUSB0 or COM3, a pySerial URL, HOST:PORT, or "
    "TCPIP::HOST::PORT::SOCKET"
)
LINK_WANTED: Final = (
    f"a VISA resource (TCPIP::..., USB::..., GPIB::...), {STREAM_WANTED}"
)
_RESOURCE: Final = re.compile(r"(TCPIP|USB|GPIB|VXI|PXI|ASRL)\w*::.+", re.IGNORECASE)
LINK_OPTIONS: Final = (
    *SERIAL_OPTIONS,
    Option(
        "visa_library",
        str,
        PURE_PYTHON,
        "VISA library as PyVISA names it: @py, @ivi, a path, or FILE.yaml@sim",
    ),
    Option(
        "gpib_address",
        int,
        None,
        "primary address behind a bridge on a serial line or socket that takes ++",
        low=0,
        high=30,
    ),
)
"""Options of every driver that reaches its instrument through `open_link`."""


def is_stream(address: str) -> bool:
    """Whether the address is one of a serial line or a plain socket."""
    return host_and_port(address) is not None or serial_url(address) is not None


def link_wanted(address: str, settings: Mapping[str, object]) -> str:
    """Return what `open_link` takes if it cannot take this address, else nothing.

    A VISA library of the maker may know resources by other names.
    """
    if settings.get("gpib_address") is not None:
        return "" if is_stream(address) else STREAM_WANTED
    other = settings.get("visa_library", PURE_PYTHON) != PURE_PYTHON
    fits = other or is_stream(address) or _RESOURCE.fullmatch(address)
    return "" if fits else LINK_WANTED


def open_link(
    address: str,
    terminator: str,
    settings: Mapping[str, object],
    *,
    clear: bool = True,
) -> Link:
    """Connect to `address`. Raises LostError when nobody is there.

    `clear`: where an unread answer outlives the connection (GPIB, USB) it is cleared
    away, which cuts a reading that is under way. Plain sockets and serial lines are
    ours, whatever has a protocol of its own (HiSLIP, VXI-11, USB, GPIB) is PyVISA's,
    and so is everything when `visa_library` names another library than the pure-Python
    one.
    """
    ends = terminator.encode("latin-1")
    behind = settings.get("gpib_address")
    if isinstance(behind, int):
        bridge = open_stream(address, LINE_END, settings)
        return GpibBridgeLink(bridge, ends, behind, clear=clear)
    library = str(settings.get("visa_library", PURE_PYTHON))
    if library == PURE_PYTHON:
        stream = _stream(address, ends, settings)
        if stream is not None:
            return stream
    from benchlog.driver_kit.visa import VisaLink  # noqa: PLC0415 - a quarter of a second to import

    return VisaLink(visa_resource(address), ends, library, settings, clear=clear)


def open_stream(
    address: str, terminator: str, settings: Mapping[str, object]
) -> StreamLink:
    """Connect to a plain socket or serial line. Raises LostError."""
    stream = _stream(address, terminator.encode("latin-1"), settings)
    if stream is None:
        raise LostError(
            f"{address} is neither a serial line nor a plain socket; give "
            f"{STREAM_WANTED}",
            address=address,
        )
    return stream


def visa_resource(address: str) -> str:
    """Return a plain socket or serial line as VISA names it, else `address` itself."""
    where = host_and_port(address)
    if where is not None:
        return f"TCPIP::{where[0]}::{where[1]}::SOCKET"
    is_device = address.startswith("/dev/") or address.upper().startswith("COM")
    return f"ASRL{address}::INSTR" if is_device else address


def _stream(
    address: str, ends: bytes, settings: Mapping[str, object]
) -> StreamLink | None:
    where = host_and_port(address)
    if where is not None:
        return TcpLink(address, ends, *where)
    url = serial_url(address)
    return None if url is None else SerialLineLink(address, ends, url, settings)
