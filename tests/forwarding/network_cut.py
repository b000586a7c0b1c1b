"""A network between sender and server that can be cut: a relay on loopback."""

import socket
import struct
import threading
from contextlib import suppress

_PIECE = 65_536
_AT_ONCE = struct.pack("ii", 1, 0)
"""SO_LINGER of zero: the connection is reset, nothing in it arrives any more."""


class Relay:
    """Passes bytes on to a port of this computer, until it is cut."""

    def __init__(self, port: int) -> None:
        self._to = port
        self._pairs: set[tuple[socket.socket, socket.socket]] = set()
        self._lock = threading.Lock()
        self._down = threading.Event()
        self._ended = threading.Event()
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port = self._listening.getsockname()[1]
        self._thread = threading.Thread(target=self._accept, daemon=True)
        self._thread.start()

    def _accept(self) -> None:
        while not self._ended.is_set():
            try:
                near, _ = self._listening.accept()
            except OSError:
                return
            if self._down.is_set():
                _reset(near)
                continue
            try:
                far = socket.create_connection(("127.0.0.1", self._to), timeout=5)
                far.settimeout(None)
            except OSError:
                _reset(near)
                continue
            with self._lock:
                self._pairs.add((near, far))
            for one, other in ((near, far), (far, near)):
                threading.Thread(target=_pass, args=(one, other), daemon=True).start()

    def cut(self) -> None:
        """Cut every connection, and refuse new ones until it is mended."""
        self._down.set()
        with self._lock:
            pairs, self._pairs = self._pairs, set()
        for pair in pairs:
            for one in pair:
                _reset(one)

    def mend(self) -> None:
        self._down.clear()

    def close(self) -> None:
        self._ended.set()
        with suppress(OSError):
            self._listening.shutdown(socket.SHUT_RDWR)
        self._listening.close()
        self.cut()
        self._thread.join(5)


def _pass(one: socket.socket, other: socket.socket) -> None:
    with suppress(OSError):
        while piece := one.recv(_PIECE):
            other.sendall(piece)
    for each in (one, other):
        with suppress(OSError):
            each.shutdown(socket.SHUT_RDWR)


def _reset(one: socket.socket) -> None:
    with suppress(OSError):
        one.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _AT_ONCE)
    with suppress(OSError):
        one.shutdown(socket.SHUT_RDWR)
    one.close()
