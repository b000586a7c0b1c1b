"""A serial port over the network (RFC 2217), with pySerial's own server half."""

import socket
import threading
from collections.abc import Callable
from typing import Final

import serial
import serial.rfc2217

from benchlog.simulate.transports.byte_stream import Protocolled
from benchlog.simulate.transports.socket_server import Server, shut

_MODEM_POLL_S: Final = 0.02  # our rule, invented


class VirtualPort:
    """The serial port behind the server: settings that a client may change.

    The modem lines (`cts`, `dsr`, `ri`, `cd`) are for a simulated receiver to move.
    """

    def __init__(self) -> None:
        self.baudrate = 9600
        self.bytesize = serial.EIGHTBITS
        self.parity = serial.PARITY_NONE
        self.stopbits = serial.STOPBITS_ONE
        self.xonxoff = self.rtscts = False
        self.dtr = self.rts = True
        self.break_condition = False
        self.cts = self.dsr = self.cd = True
        self.ri = False

    def reset_input_buffer(self) -> None:
        """Nothing is held back here."""

    def reset_output_buffer(self) -> None:
        """Nothing is held back here."""


class Rfc2217Server(Server):
    """Serves one instrument as a serial port over the network."""

    def __init__(
        self,
        protocol: Protocolled | Callable[[VirtualPort], Protocolled],
        *,
        lines: bool = False,
        modem_poll_s: float = _MODEM_POLL_S,
    ) -> None:
        """Serve `protocol`; with `lines` it is made for the port whose lines it moves.

        A line that moves is noticed within `modem_poll_s`, as in a real port server.
        """
        super().__init__()
        self.serial = VirtualPort()
        self.modem_poll_s = modem_poll_s
        self._protocol: Protocolled = protocol(self.serial) if lines else protocol  # type: ignore[arg-type,assignment]

    @property
    def address(self) -> str:
        """A pySerial URL."""
        return f"rfc2217://127.0.0.1:{self.port}"

    def serve(self, client: socket.socket) -> None:
        """See Server."""
        stream = _TelnetStream(self, client, self.serial, self.modem_poll_s)
        if not stream.negotiated():
            return
        watcher = threading.Thread(target=stream.watch, daemon=True)
        watcher.start()
        try:
            self._protocol(stream)
        finally:
            stream.close()
            watcher.join()


class _TelnetStream:
    """Data and negotiation share one socket; a watcher reads it, anybody writes."""

    def __init__(
        self,
        server: Server,
        client: socket.socket,
        port: VirtualPort,
        modem_poll_s: float,
    ) -> None:
        self._server, self._client = server, client
        self._modem_poll_s = modem_poll_s
        self._writing = threading.Lock()
        self._arrived = bytearray()
        self._news = threading.Condition()
        self._ended = False
        self._manager = serial.rfc2217.PortManager(port, self)  # type: ignore[no-untyped-call]

    def write(self, data: bytes) -> None:
        """Send raw bytes: what PortManager needs of a connection."""
        with self._writing:
            self._client.sendall(data)

    def negotiated(self) -> bool:
        """Read until the client speaks RFC 2217; False when it leaves before."""
        while not self._manager._client_is_rfc2217:
            if not self._read_some():
                return False
        return True

    def watch(self) -> None:
        """Read until the end, and report modem lines that change."""
        self._client.settimeout(self._modem_poll_s)
        try:
            while self._read_some():
                self._manager.check_modem_lines()  # type: ignore[no-untyped-call]
        except (OSError, ValueError, TypeError):
            pass  # gone, or a client that negotiates nonsense
        with self._news:
            self._ended = True
            self._news.notify_all()

    def _read_some(self) -> bool:
        try:
            data = self._client.recv(1024)
        except TimeoutError:
            return not self._server.stopping
        if not data:
            return False
        kept = b"".join(self._manager.filter(data))  # type: ignore[no-untyped-call]
        with self._news:
            self._arrived += kept
            self._news.notify_all()
        return True

    def receive(self) -> bytes:
        with self._news:
            self._news.wait_for(lambda: self._arrived or self._ended)
            data = bytes(self._arrived)
            self._arrived.clear()
        return data

    def send(self, data: bytes) -> None:
        self.write(b"".join(self._manager.escape(data)))  # type: ignore[no-untyped-call]

    def gone(self) -> bool:
        return self._ended or self._server.stopping

    def close(self) -> None:
        shut(self._client)
