"""What all socket servers share: loopback only, a thread a client, a bounded stop."""

import contextlib
import socket
import threading
from abc import ABC, abstractmethod
from typing import Final

from benchlog.clock import host_deadline, host_sleep
from benchlog.simulate.bench_wait import sharpen

LOOPBACK: Final = "127.0.0.1"
_JOIN_S: Final = 5.0  # our rule: threads end by then
_MOST_CLIENTS: Final = 64  # our rule: bounds what comes from outside


class Server(ABC):
    """A listening socket on loopback; subclasses talk to one client at a time."""

    name = "server"

    def __init__(self) -> None:
        self.port = 0
        self._listener: socket.socket | None = None
        self._clients: dict[socket.socket, threading.Thread] = {}
        self._guard = threading.Lock()
        self._stopping = threading.Event()
        self._threads: list[threading.Thread] = []

    @abstractmethod
    def serve(self, client: socket.socket) -> None:
        """Talk to one client until it leaves; may raise OSError."""

    def start(self) -> int:
        """Listen; return the port."""
        self._listen()
        return self.port

    def stop(self) -> None:
        """Stop listening, close every connection, wait for the threads."""
        self._stopping.set()
        self._close_listener()
        self.drop()
        me = threading.current_thread()
        for thread in self._threads_now():
            if thread is not me:
                thread.join(_JOIN_S)

    def drop(self) -> None:
        """Close every connection now, as a pulled cable does."""
        with self._guard:
            clients = tuple(self._clients)
        for client in clients:
            shut(client)

    def deafen(self, real_s: float) -> None:
        """Stop listening, close all connections; listen again after `real_s`."""
        self._close_listener()
        self.drop()
        self._spawn(self._hear_again, real_s)

    def gone(self, client: socket.socket) -> bool:
        """Whether nobody waits for an answer on this connection any more."""
        if self._stopping.is_set():
            return True
        try:
            return client.recv(1, socket.MSG_PEEK | socket.MSG_DONTWAIT) == b""
        except BlockingIOError:
            return False
        except OSError:
            return True

    @property
    def stopping(self) -> bool:
        """Whether the server is being stopped."""
        return self._stopping.is_set()

    def _listen(self) -> None:
        listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        try:
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listener.bind((LOOPBACK, self.port))
            listener.listen(16)
        except OSError:
            listener.close()
            raise
        self.port = listener.getsockname()[1]
        with self._guard:
            # Whoever stops after this finds the listener; who stopped before does not.
            ended = self._stopping.is_set()
            if not ended:
                self._listener = listener
        if ended:
            listener.close()
            return
        self._spawn(self._accept, listener)

    def _close_listener(self) -> None:
        with self._guard:
            listener, self._listener = self._listener, None
        if listener is not None:
            shut(listener)

    def _hear_again(self, real_s: float) -> None:
        end = host_deadline(real_s)
        while not end.passed:
            if self._stopping.wait(min(0.05, end.left_s())):
                return
        while not self._stopping.is_set() and self._listener is None:
            with contextlib.suppress(OSError):  # the port may be taken for a moment
                self._listen()
                return
            host_sleep(0.05)

    def _accept(self, listener: socket.socket) -> None:
        while True:
            try:
                client, _ = listener.accept()
            except OSError:
                return
            client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            thread = threading.Thread(target=self._talk, args=(client,), daemon=True)
            with self._guard:
                crowded = len(self._clients) >= _MOST_CLIENTS
                if not crowded and self._listener is listener:
                    self._clients[client] = thread
                    thread.start()
                    continue
            client.close()

    def _talk(self, client: socket.socket) -> None:
        sharpen()
        try:
            self.serve(client)
        except OSError:
            pass  # a client that vanishes is fine
        finally:
            with self._guard:
                self._clients.pop(client, None)
            shut(client)

    def _spawn(self, target: object, *args: object) -> None:
        thread = threading.Thread(target=target, args=args, daemon=True)  # type: ignore[arg-type]
        with self._guard:
            self._threads = [t for t in self._threads if t.is_alive()]
            self._threads.append(thread)
        thread.start()

    def _threads_now(self) -> list[threading.Thread]:
        with self._guard:
            return [*self._threads, *self._clients.values()]


def shut(link: socket.socket) -> None:
    """Close a socket so that a thread blocked on it wakes up."""
    with contextlib.suppress(OSError):
        link.shutdown(socket.SHUT_RDWR)
    link.close()
