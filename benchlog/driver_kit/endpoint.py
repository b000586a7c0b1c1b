"""One name for one place, however its address is spelled.

`TCPIP::localhost::5025::SOCKET`, `socket://127.0.0.1:5025` and `rfc2217://127.0.0.1:5025`
lead to one port; a link under `/dev/serial/by-id` leads to the device it points at.
"""

import re
import socket
from pathlib import Path
from typing import Final

from benchlog.driver_kit.serial_line import serial_url
from benchlog.driver_kit.tcp import host_and_port

_RESOURCE: Final = re.compile(
    r"(TCPIP|USB|GPIB|VXI|PXI|ASRL)(\d*)::(.+)", re.IGNORECASE
)
_URL: Final = re.compile(r"\w+://(?P<host>[^/?#]+):(?P<port>\d{1,5})(?:[/?#].*)?")
_USUAL: Final = {"TCPIP": "INST0", "USB": "0"}
"""The device or interface that a resource means when it names none."""


def endpoint(address: str) -> str:
    """Return a name that all spellings of an address share, as far as can be known.

    Host names are looked up, which may take as long as connecting to them does; one
    that is not found stays as it is.
    """
    line = serial_url(address)
    where = host_and_port(line or address) or _port_of(line or "")
    if where is not None:
        return f"tcp {_number_of(where[0])} {where[1]}"
    if line is not None:
        is_path = line.startswith("/")
        return f"serial {Path(line).resolve()}" if is_path else f"serial {line.upper()}"
    match = _RESOURCE.fullmatch(address)
    return address if match is None else _resource(*match.groups())


def _port_of(url: str) -> tuple[str, int] | None:
    match = _URL.fullmatch(url)
    if match is None:
        return None
    return match["host"].removeprefix("[").removesuffix("]"), int(match["port"])


def _resource(kind: str, board: str, rest: str) -> str:
    kind, fields = kind.upper(), [_plain(one) for one in rest.split("::")]
    if fields[-1] == "INSTR":
        fields.pop()
    if kind == "TCPIP" and fields:
        fields[0] = _number_of(fields[0].lower())
    if fields and fields[-1] == _USUAL.get(kind):
        fields.pop()
    return f"{kind}{board or 0} {' '.join(fields)}"


def _plain(field: str) -> str:
    try:
        return str(int(field, 0))
    except ValueError:
        return field.upper()


def _number_of(host: str) -> str:
    """Return the address of a host, that of IPv4 where it has both."""
    try:
        found = socket.getaddrinfo(host, None, type=socket.SOCK_STREAM)
    except (OSError, UnicodeError):
        return host.lower()
    return str(min((one[0] != socket.AF_INET, one[4][0]) for one in found)[1])
