"""SCPI over a raw TCP socket: lines in, lines out."""

import socket
from typing import Final

from benchlog.simulate.faults import Reply
from benchlog.simulate.patience import AbandonedError, Patience
from benchlog.simulate.serving import Server, shut
from benchlog.simulate.station import Station

LONGEST_MESSAGE: Final = 65_536


class TcpScpi(Server):
    """One station on one port."""

    def __init__(self, station: Station) -> None:
        super().__init__()
        self.station = station

    @property
    def address(self) -> str:
        """The VISA address."""
        return f"TCPIP::127.0.0.1::{self.port}::SOCKET"

    def serve(self, client: socket.socket) -> None:
        """See Server."""
        patience = Patience(self.station.clock, lambda: self.gone(client))
        buffer = bytearray()
        while chunk := client.recv(4096):
            buffer += chunk
            while (end := buffer.find(b"\n")) >= 0:
                message = bytes(buffer[:end])
                del buffer[: end + 1]
                if not self._answer(client, message, patience):
                    return
            if len(buffer) > LONGEST_MESSAGE:
                buffer.clear()

    def _answer(
        self, client: socket.socket, message: bytes, patience: Patience
    ) -> bool:
        def send(reply: Reply) -> None:
            client.sendall(reply.data)

        try:
            for reply in self.station.replies(message, patience):
                self.station.deliver(reply, patience, send)
                if reply.cut:
                    shut(client)
                    return False
        except AbandonedError:
            return False
        return True
