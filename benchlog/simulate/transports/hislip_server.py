"""A small HiSLIP server (IVI-6.1, synchronised mode): SCPI with message ids.

Each session has a synchronous channel for messages and an asynchronous one for device
clear, status and locks. An answer carries the id of the message it answers, so a late
one is never taken for the next.
"""

import itertools
import socket
import struct
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from benchlog.simulate.bench_wait import AbandonedError, Patience
from benchlog.simulate.instruments.faults import LineReply
from benchlog.simulate.instruments.station import Station
from benchlog.simulate.transports.socket_server import Server, shut

_HEADER: Final = struct.Struct("!2sBBIQ")
_MAX_MESSAGE: Final = 1 << 20  # our rule: bounds what comes from outside
_VERSION: Final = 0x0100  # source: IVI-6.1, protocol 1.0

# Kinds of message, source: IVI-6.1, table of messages, from memory: _INITIALIZE, _LOCK,
# _REMOTE, _MAX_SIZE, _CLEAR and those with them.
_INITIALIZE, _INITIALIZED, _FATAL, _ERROR = 0, 1, 2, 3
_LOCK, _LOCKED, _DATA, _DATA_END, _CLEARED, _CLEAR_ACK = 4, 5, 6, 7, 8, 9
_REMOTE, _REMOTE_ACK, _TRIGGER = 10, 11, 12
_MAX_SIZE, _MAX_SIZE_IS, _ASYNC_INITIALIZE, _ASYNC_INITIALIZED = 15, 16, 17, 18
_CLEAR, _STATUS, _STATUS_IS, _ASYNC_CLEAR_ACK, _LOCK_INFO, _LOCK_INFO_IS = (
    19,
    21,
    22,
    23,
    24,
    25,
)
_MAV: Final = 16  # source: IEEE 488.2, status byte
# control bit: the client has read the whole last answer; source: IVI-6.1
_DELIVERED: Final = 1


@dataclass(frozen=True, slots=True)
class Message:
    """One HiSLIP message."""

    kind: int
    control: int
    parameter: int
    payload: bytes


class _Session:
    """What the two channels of a session share."""

    def __init__(self) -> None:
        self.clearing = threading.Event()
        self.unread = False

    def heard(self, message: Message) -> None:
        if message.control & _DELIVERED:
            self.unread = False


class HislipServer(Server):
    """Serves one station as `hislip0`."""

    def __init__(self, station: Station) -> None:
        super().__init__()
        self.station = station
        self._sessions: dict[int, _Session] = {}
        self._ids = itertools.count(1)

    @property
    def address(self) -> str:
        """The VISA address."""
        return f"TCPIP::127.0.0.1::hislip0,{self.port}::INSTR"

    def serve(self, client: socket.socket) -> None:
        """See Server; the first message says which channel this is."""
        first = receive(client)
        if first is None:
            return
        if first.kind == _INITIALIZE:
            self._serve_sync(client)
        elif first.kind == _ASYNC_INITIALIZE and first.parameter in self._sessions:
            send(client, Message(_ASYNC_INITIALIZED, 0, 0x53494D, b""))
            self._serve_async(client, self._sessions[first.parameter])
        else:
            send(client, Message(_FATAL, 3, 0, b"Invalid Initialization sequence"))

    def _serve_sync(self, client: socket.socket) -> None:
        number = next(self._ids) & 0xFFFF
        session = self._sessions[number] = _Session()
        try:
            send(client, Message(_INITIALIZED, 0, _VERSION << 16 | number, b""))
            self._converse(client, session)
        finally:
            del self._sessions[number]

    def _converse(self, client: socket.socket, session: _Session) -> None:
        buffer = bytearray()
        while (message := receive(client)) is not None:
            session.heard(message)
            if message.kind in (_DATA, _DATA_END):
                buffer += message.payload
                if message.kind == _DATA_END:
                    request, buffer = bytes(buffer), bytearray()
                    if not self._answer(client, session, message.parameter, request):
                        return
            elif message.kind == _CLEARED:
                buffer.clear()
                session.clearing.clear()
                session.unread = False
                send(client, Message(_CLEAR_ACK, 0, 0, b""))
            elif message.kind != _TRIGGER:
                send(client, Message(_ERROR, 1, 0, b"Unrecognized Message Type"))

    def _answer(
        self, client: socket.socket, session: _Session, number: int, request: bytes
    ) -> bool:
        """Answer one request; False when the connection is to end."""
        patience = Patience(
            self.station.clock, lambda: session.clearing.is_set() or self.gone(client)
        )
        try:
            for line in request.splitlines():
                for reply in self.station.replies(line, patience):
                    self.station.due(reply, patience)
                    send(client, _as_message(reply, number))
                    session.unread = True
                    self.station.sent(reply)
                    if reply.cut:
                        shut(client)
                        return False
        except AbandonedError:
            return session.clearing.is_set()
        return True

    def _serve_async(self, client: socket.socket, session: _Session) -> None:
        while (message := receive(client)) is not None:
            session.heard(message)
            if message.kind == _CLEAR:
                session.clearing.set()
            answer = _ASYNC.get(message.kind)
            if message.kind == _STATUS:
                status = self.station.status_byte() | (_MAV if session.unread else 0)
                send(client, Message(_STATUS_IS, status, 0, b""))
            elif answer is not None:
                send(client, answer(message))
            else:
                send(client, Message(_ERROR, 1, 0, b"Unrecognized Message Type"))


# source: IVI-6.1
_ASYNC: Final[dict[int, Callable[[Message], Message]]] = {
    _LOCK: lambda _: Message(_LOCKED, 1, 0, b""),
    _LOCK_INFO: lambda _: Message(_LOCK_INFO_IS, 0, 0, b""),
    _REMOTE: lambda _: Message(_REMOTE_ACK, 0, 0, b""),
    _MAX_SIZE: lambda _: Message(_MAX_SIZE_IS, 0, 0, struct.pack("!Q", _MAX_MESSAGE)),
    _CLEAR: lambda _: Message(_ASYNC_CLEAR_ACK, 0, 0, b""),
}


def _as_message(reply: LineReply, number: int) -> Message:
    """An incomplete answer goes without END, so that its reader waits for more."""
    return Message(_DATA_END if reply.complete else _DATA, 0, number, reply.data)


def send(client: socket.socket, message: Message) -> None:
    """Send one message."""
    header = _HEADER.pack(
        b"HS", message.kind, message.control, message.parameter, len(message.payload)
    )
    client.sendall(header + message.payload)


def receive(client: socket.socket) -> Message | None:
    """Return the next message; None when the client has left or talks nonsense."""
    header = read_exactly(client, _HEADER.size)
    if header is None:
        return None
    prologue, kind, control, parameter, length = _HEADER.unpack(header)
    if prologue != b"HS" or length > _MAX_MESSAGE:
        send(client, Message(_FATAL, 1, 0, b"Poorly formed message header"))
        return None
    payload = read_exactly(client, length)
    return None if payload is None else Message(kind, control, parameter, payload)


def read_exactly(client: socket.socket, length: int) -> bytes | None:
    """Return exactly `length` bytes, None when the client has left before."""
    data = bytearray()
    while len(data) < length:
        chunk = client.recv(min(65_536, length - len(data)))
        if not chunk:
            return None
        data += chunk
    return bytes(data)
