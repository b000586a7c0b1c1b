"""A network between sender and server that can be cut: a relay on loopback.

Or it swallows what is sent, as one does that has forgotten a connection: each end
believes that the other is there, new connections are taken, and nothing comes.
"""

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
        self._left: int | None = None
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
            if self.is_swallowing:
                with self._lock:
                    self._pairs.add((near, near))
                continue
            try:
                far = socket.create_connection(("127.0.0.1", self._to), timeout=5)
                far.settimeout(None)
            except OSError:
                _reset(near)
                continue
            with self._lock:
                self._pairs.add((near, far))
            for pair in ((near, far), (far, near)):
                threading.Thread(target=self._pass, args=pair, daemon=True).start()

    def _pass(self, one: socket.socket, other: socket.socket) -> None:
        with suppress(OSError):  # either may have been cut before it is asked for
            is_up = other.getpeername()[1] == self._to
            while piece := one.recv(_PIECE):
                other.sendall(self._let_through(piece, is_up=is_up))
            if self.is_swallowing:
                return  # the other end does not hear of this end either
        for each in (one, other):
            with suppress(OSError):
                each.shutdown(socket.SHUT_RDWR)

    def _let_through(self, piece: bytes, *, is_up: bool) -> bytes:
        with self._lock:
            if self._left is None:
                return piece
            if not is_up:
                return piece if self._left > 0 else b""
            piece = piece[: self._left]
            self._left -= len(piece)
            return piece

    def swallow(self, after: int = 0) -> None:
        """Let so many more bytes go to the server, and then nothing either way."""
        with self._lock:
            self._left = after

    @property
    def is_swallowing(self) -> bool:
        """Whether nothing goes through any more."""
        return self._left is not None and self._left <= 0

    def cut(self) -> None:
        """Cut every connection, and refuse new ones until it is mended."""
        self._down.set()
        with self._lock:
            pairs, self._pairs = self._pairs, set()
        for pair in pairs:
            for one in pair:
                _reset(one)

    def mend(self) -> None:
        """Let all through again; what was forgotten is reset."""
        if self._left is not None:
            self.cut()
            self._left = None
        self._down.clear()

    def close(self) -> None:
        self._ended.set()
        with suppress(OSError):
            self._listening.shutdown(socket.SHUT_RDWR)
        self._listening.close()
        self.cut()
        self._thread.join(5)


def _reset(one: socket.socket) -> None:
    with suppress(OSError):
        one.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _AT_ONCE)
    with suppress(OSError):
        one.shutdown(socket.SHUT_RDWR)
    one.close()
