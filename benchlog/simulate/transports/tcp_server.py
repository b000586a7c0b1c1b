"""A byte stream over TCP."""

import socket

from benchlog.simulate.transports.byte_stream import Protocolled
from benchlog.simulate.transports.socket_server import Server, shut


class TcpServer(Server):
    """Serves one instrument on one port; `talks` says how its address is written."""

    def __init__(self, protocol: Protocolled, *, talks: bool) -> None:
        super().__init__()
        self._protocol = protocol
        self._talks = talks

    @property
    def address(self) -> str:
        """A VISA address, or for an instrument that talks a pySerial URL."""
        if self._talks:
            return f"socket://127.0.0.1:{self.port}"
        return f"TCPIP::127.0.0.1::{self.port}::SOCKET"

    def serve(self, client: socket.socket) -> None:
        """See Server."""
        self._protocol(_TcpStream(self, client))


class _TcpStream:
    def __init__(self, server: Server, client: socket.socket) -> None:
        self._server, self._client = server, client

    def receive(self) -> bytes:
        return self._client.recv(4096)

    def send(self, data: bytes) -> None:
        self._client.sendall(data)

    def gone(self) -> bool:
        return self._server.gone(self._client)

    def close(self) -> None:
        shut(self._client)
