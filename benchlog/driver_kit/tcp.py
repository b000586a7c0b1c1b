"""Lines over a plain TCP socket, IPv4 and IPv6.

PyVISA's pure-Python sockets succeed in opening a closed port, spin at 100 % when the
peer leaves, use the wall clock for deadlines and keep every session for ever; this is
what a SOCKET resource needs instead.
"""

import contextlib
import errno
import re
import socket
from typing import Final

from benchlog.driver_kit.link import CONNECT_S, StreamLink
from benchlog.errors import LostError

_RESOURCE: Final = re.compile(
    r"TCPIP\d*::(?P<host>.+)::(?P<port>\d{1,5})::SOCKET", re.IGNORECASE
)
_URL: Final = re.compile(r"socket://(?P<host>[^/?#]+):(?P<port>\d{1,5})", re.IGNORECASE)
_BARE: Final = re.compile(
    r"(?P<host>[A-Za-z0-9](?:[\w.-]*[A-Za-z0-9])?|\[[0-9A-Fa-f:.]+(?:%\w+)?\])"
    r":(?P<port>\d{1,5})"
)
_CHUNK: Final = 65_536
_SEND_S: Final = 2.0
_KEEPALIVE: Final = (
    ("TCP_KEEPIDLE", 5),  # seconds of silence before the first probe
    ("TCP_KEEPINTVL", 2),
    ("TCP_KEEPCNT", 3),  # so a host that vanished is noticed within 11 s
)


def host_and_port(address: str) -> tuple[str, int] | None:
    """Return host and port of a plain socket, None for anything else.

    It is written `host:port`, `TCPIP::host::port::SOCKET` or `socket://host:port`. An
    IPv6 host stands in brackets, in a resource name also bare:
    `TCPIP::[::1]::5025::SOCKET`.
    """
    forms = (_RESOURCE, _URL, _BARE)
    match = next((m for form in forms if (m := form.fullmatch(address))), None)
    if match is None or not 0 < int(match["port"]) < 65_536:
        return None
    return match["host"].removeprefix("[").removesuffix("]"), int(match["port"])


class TcpLink(StreamLink):
    """A connected TCP socket. Raises LostError when nobody is there to connect to."""

    advice = "check that it speaks this dialect on this port"

    def __init__(self, address: str, terminator: bytes, host: str, port: int) -> None:
        super().__init__(address, terminator)
        try:
            self._socket = socket.create_connection((host, port), CONNECT_S)
        except (OSError, UnicodeError) as error:
            raise LostError(
                f"nobody answers at {address} ({error}); is the instrument on, and are "
                "host and port right?",
                address=address,
            ) from error
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        for name, value in _KEEPALIVE:
            if hasattr(socket, name):  # spelt differently on some systems
                option = getattr(socket, name)
                self._socket.setsockopt(socket.IPPROTO_TCP, option, value)

    def _write(self, data: bytes) -> None:
        try:
            self._socket.settimeout(_SEND_S)
            self._socket.sendall(data)
        except OSError as error:
            raise self.lost(error) from error

    def _receive(self, real_s: float) -> bytes:
        try:
            self._socket.settimeout(real_s)
            data = self._socket.recv(_CHUNK)
        except BlockingIOError:
            return b""
        except TimeoutError as error:
            # A keepalive that failed is a TimeoutError too, but it has an errno.
            if error.errno == errno.ETIMEDOUT:
                raise self.lost(error) from error
            return b""
        except OSError as error:
            raise self.lost(error) from error
        if not data:
            raise self.lost("closed by the other side")
        return data

    def close(self) -> None:
        """See `Link.close`."""
        with contextlib.suppress(OSError):
            self._socket.close()
