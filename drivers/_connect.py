"""From an address to an open link: which transport serves which address."""

from collections.abc import Mapping
from typing import Final

from benchlog.driver import Option

from ._link import Link
from ._serial import SERIAL_OPTIONS, SerialLink, serial_url
from ._tcp import TcpLink, host_and_port

PURE_PYTHON: Final = "@py"
LINK_OPTIONS: Final = (
    *SERIAL_OPTIONS,
    Option(
        "visa_library",
        str,
        PURE_PYTHON,
        "VISA library as PyVISA names it: @py, @ivi, a path, or FILE.yaml@sim",
    ),
)
"""Options of every driver that reaches its instrument through `open_link`."""


def open_link(address: str, terminator: str, settings: Mapping[str, object]) -> Link:
    """Connect to `address`. Raises LostError when nobody is there.

    Plain sockets and serial lines are ours, whatever has a protocol of its own (HiSLIP,
    VXI-11, USB, GPIB) is PyVISA's, and so is everything when `visa_library` names
    another library than the pure-Python one.
    """
    ends = terminator.encode("latin-1")
    library = str(settings.get("visa_library", PURE_PYTHON))
    if library == PURE_PYTHON:
        where = host_and_port(address)
        if where is not None:
            return TcpLink(address, ends, *where)
        url = serial_url(address)
        if url is not None:
            return SerialLink(address, ends, url, settings)
    from ._visa import VisaLink  # noqa: PLC0415 - a quarter of a second to import

    return VisaLink(address, ends, library, settings)
