"""Peers that a driver talks to in a test: real sockets and real pseudo-terminals."""

import contextlib
import os
import select
import socket
import tempfile
import threading
import tty
from abc import ABC, abstractmethod
from pathlib import Path
from types import TracebackType
from typing import Final, Self

from benchlog.clock import host_deadline, host_sleep
from benchlog.testing.faults import Fault
from benchlog.testing.scripts import Behaviour, Channel

_JOIN_S: Final = 2.0
_WRITE_S: Final = 0.5
_PAUSE_S: Final = 0.001


class Peer(ABC):
    """The other side of a driver; a context manager that stops it at the end."""

    address: str
    """Where a bench file would find it."""

    def __init__(self, behaviour: Behaviour) -> None:
        self.behaviour = behaviour
        self._stopped = threading.Event()
        self._threads: list[threading.Thread] = []

    def misbehave(self, *faults: Fault) -> None:
        """Let these faults strike the next values, one each."""
        self.behaviour.misbehave(*faults)

    @abstractmethod
    def hang_up(self) -> None:
        """Close every connection as a peer that dies does."""

    def stop(self) -> None:
        """End it and wait for its threads."""
        self._stopped.set()
        self.hang_up()
        for thread in self._threads:
            thread.join(_JOIN_S)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.stop()

    def _start(self, channel: Channel) -> None:
        thread = threading.Thread(target=self._serve, args=(channel,), daemon=True)
        self._threads.append(thread)
        thread.start()

    def _serve(self, channel: Channel) -> None:
        with contextlib.suppress(OSError):  # the driver may leave at any moment
            self.behaviour.serve(channel, self._stopped)
        channel.close()


class TcpPeer(Peer):
    """A TCP server on loopback, `127.0.0.1` or `::1`; any number of connections."""

    def __init__(self, behaviour: Behaviour, host: str = "127.0.0.1") -> None:
        super().__init__(behaviour)
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        self._server = socket.create_server((host, 0), family=family)
        self.host, self.port = self._server.getsockname()[:2]
        self.address = f"TCPIP::{host}::{self.port}::SOCKET"
        self._channels: list[_SocketChannel] = []
        self._accepting = threading.Thread(target=self._accept, daemon=True)
        self._accepting.start()

    def hang_up(self) -> None:
        """See `Peer.hang_up`; new connections are still taken."""
        for channel in self._channels:
            channel.close()

    def stop(self) -> None:
        """See `Peer.stop`."""
        self._stopped.set()
        with contextlib.suppress(OSError):
            self._server.shutdown(socket.SHUT_RDWR)  # wakes the accept
        self._accepting.join(_JOIN_S)
        self._server.close()
        super().stop()

    def _accept(self) -> None:
        while not self._stopped.is_set():
            try:
                connection, _ = self._server.accept()
            except OSError:
                return
            channel = _SocketChannel(connection)
            self._channels.append(channel)
            self._start(channel)


class PtyPeer(Peer):
    """A pseudo-terminal whose other end is a serial port to the driver.

    The address is a link to the port: when the peer hangs up the port is gone, as when
    a plug is pulled, and a moment later a new one stands at the same address.
    """

    def __init__(self, behaviour: Behaviour) -> None:
        super().__init__(behaviour)
        self._folder = tempfile.TemporaryDirectory(prefix="port-")
        self.address = str(Path(self._folder.name) / "port")
        self._channel = self._plug_in()
        thread = threading.Thread(target=self._keep_serving, daemon=True)
        self._threads.append(thread)
        thread.start()

    def hang_up(self) -> None:
        """See `Peer.hang_up`; as when the plug is pulled."""
        self._channel.close()

    def stop(self) -> None:
        """See `Peer.stop`."""
        super().stop()
        self._folder.cleanup()

    def _keep_serving(self) -> None:
        while not self._stopped.is_set():
            self._serve(self._channel)
            if not self._stopped.is_set():
                self._channel = self._plug_in()
        self._channel.close()

    def _plug_in(self) -> "_PtyChannel":
        master, slave = os.openpty()
        tty.setraw(slave)
        link = Path(self.address)
        link.unlink(missing_ok=True)
        link.symlink_to(os.ttyname(slave))
        return _PtyChannel(master, slave)


class _SocketChannel:
    def __init__(self, connection: socket.socket) -> None:
        self._connection = connection
        self._connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._closing = threading.Lock()

    def send(self, data: bytes) -> None:
        self._connection.sendall(data)

    def receive(self, real_s: float) -> bytes | None:
        try:
            ready, _, _ = select.select([self._connection], [], [], real_s)
        except ValueError:  # hung up by another thread: its number is -1 by now
            return None
        return (self._connection.recv(65_536) or None) if ready else b""

    def close(self) -> None:
        with self._closing, contextlib.suppress(OSError):
            self._connection.shutdown(socket.SHUT_RDWR)
        self._connection.close()


class _PtyChannel:
    """The master's side; it holds the slave open so that a driver may come and go."""

    def __init__(self, master: int, slave: int) -> None:
        self._master, self._slave = master, slave
        os.set_blocking(master, False)
        self._lock = threading.Lock()
        self._is_open = True

    def send(self, data: bytes) -> None:
        deadline = host_deadline(_WRITE_S)
        while data and not deadline.passed:  # what nobody reads is lost, as on a line
            with self._lock:
                self._check()
                with contextlib.suppress(BlockingIOError):
                    data = data[os.write(self._master, data) :]
            if data:
                host_sleep(_PAUSE_S)

    def receive(self, real_s: float) -> bytes | None:
        with self._lock:
            self._check()
            ready, _, _ = select.select([self._master], [], [], real_s)
            return os.read(self._master, 65_536) if ready else b""

    def close(self) -> None:
        with self._lock:
            if self._is_open:
                self._is_open = False
                os.close(self._slave)
                os.close(self._master)

    def _check(self) -> None:
        if not self._is_open:
            raise OSError("the pseudo-terminal is closed")
