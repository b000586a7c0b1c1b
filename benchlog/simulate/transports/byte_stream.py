"""A stream of bytes, to converse in SCPI or to talk by itself; and served over TCP."""

import socket
from collections.abc import Callable
from typing import Final, Protocol

from benchlog.simulate.bench_wait import AbandonedError, Patience
from benchlog.simulate.instruments.faults import LineReply
from benchlog.simulate.instruments.station import Sending, Station, TalkingStation
from benchlog.simulate.transports.socket_server import Server, shut

LONGEST_MESSAGE: Final = 65_536  # our rule: bounds what comes from outside


class Stream(Protocol):
    """A connection, whatever carries it. Its methods raise OSError once it is gone."""

    def receive(self) -> bytes:
        """Return what arrives next; empty when the other side has left."""
        ...

    def send(self, data: bytes) -> None:
        """Send all of it."""
        ...

    def gone(self) -> bool:
        """Whether nobody waits at the other end any more."""
        ...

    def close(self) -> None:
        """End it."""
        ...


Protocolled = Callable[[Stream], None]


def conversing(station: Station) -> Protocolled:
    """Return what serves a station over any stream, line by line."""

    def serve(stream: Stream) -> None:
        patience = Patience(station.clock, stream.gone)
        buffer = bytearray()
        while chunk := stream.receive():
            buffer += chunk
            while (end := buffer.find(b"\n")) >= 0:
                message = bytes(buffer[:end])
                del buffer[: end + 1]
                for reply in station.replies(message, patience):
                    _send(station, reply, patience, stream)
            if len(buffer) > LONGEST_MESSAGE:
                buffer.clear()

    return _until_abandoned(serve)


def talking(station: TalkingStation) -> Protocolled:
    """Return what lets a talking station talk into any stream."""

    def serve(stream: Stream) -> None:
        patience = Patience(station.clock, stream.gone)
        for reply in station.replies(patience):
            _send(station, reply, patience, stream)

    return _until_abandoned(serve)


def _until_abandoned(serve: Protocolled) -> Protocolled:
    def bounded(stream: Stream) -> None:
        try:
            serve(stream)
        except (AbandonedError, OSError):
            pass  # whoever listened has left; that is not our trouble
        finally:
            stream.close()

    return bounded


def _send(
    station: Sending, reply: LineReply, patience: Patience, stream: Stream
) -> None:
    station.due(reply, patience)
    stream.send(reply.data)
    station.sent(reply)
    if reply.cut:
        raise AbandonedError


# --- a byte stream over tcp


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
