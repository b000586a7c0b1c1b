"""A small HTTP server for `/metrics`: few callers at a time, each within its time."""

import contextlib
import socket
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from threading import Lock
from typing import Any, Final

from benchlog.clock import Deadline, host_deadline
from benchlog.errors import UsageError
from benchlog.metrics.addresses import ServedAt, is_own_name
from benchlog.metrics.exposition import CONTENT_TYPE
from benchlog.metrics.scrapes import Scrapes

CALLERS: Final = 8  # our rule: two scrapers and who looks on by hand
CALL_S: Final = 10.0  # our rule: the usual patience of a scraper
_LOOK_S: Final = 0.5


class _Handler(BaseHTTPRequestHandler):
    """Answers one request; the connection ends with it."""

    server_version = "benchlog"
    sys_version = ""
    timeout = CALL_S
    server: "MetricsServer"

    def do_GET(self) -> None:
        """Answer `/metrics`."""
        self.server.has_asked(self.connection)
        if not is_own_name(self.headers.get("Host", ""), is_local=self.server.is_local):
            self._say(HTTPStatus.BAD_REQUEST, b"This is not the name of this server.\n")
        elif self.path.partition("?")[0] != "/metrics":
            self._say(HTTPStatus.NOT_FOUND, b"The figures are at /metrics.\n")
        elif (text := self.server.scrapes.text()) is None:
            said = b"The readings of a long run are gone through; ask again.\n"
            self._say(HTTPStatus.SERVICE_UNAVAILABLE, said)
        else:
            self._say(HTTPStatus.OK, text, CONTENT_TYPE)

    def _say(
        self, status: HTTPStatus, said: bytes, kind: str = "text/plain; charset=utf-8"
    ) -> None:
        self.send_response(status)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(said)))
        self.send_header("Cache-Control", "no-store")
        self.send_header("X-Content-Type-Options", "nosniff")
        self.end_headers()
        self.wfile.write(said)

    def log_message(self, format: str, *args: Any) -> None:
        """Keep quiet of what strangers ask."""


class MetricsServer(ThreadingHTTPServer):
    """Serves the figures of a database until it is shut down.

    Where there are too many, the one that has not asked for longest goes; who comes
    while all have asked is turned away. One that takes longer than `CALL_S` is cut off.
    """

    daemon_threads = True
    block_on_close = False
    request_queue_size = 2 * CALLERS

    def __init__(self, at: ServedAt, scrapes: Scrapes) -> None:
        """Listen at an address. Raises UsageError where that cannot be used."""
        self.is_local, self.scrapes = at.is_local, scrapes
        self._open: dict[socket.socket, Deadline] = {}
        self._asked: set[socket.socket] = set()
        self._lock = Lock()
        try:
            found = socket.getaddrinfo(at.host, at.port, type=socket.SOCK_STREAM)
            self.address_family = found[0][0]
            super().__init__((at.host, at.port), _Handler)
        except OSError as error:
            raise UsageError(
                f"{at.text} cannot be used for metrics: {error.strerror}; name another "
                "address"
            ) from error
        self.at = ServedAt(at.host, int(self.server_address[1]))

    def serve(self) -> None:
        """Serve until `shutdown` is called from another thread."""
        self.serve_forever(_LOOK_S)

    def server_bind(self) -> None:
        """Bind without asking a name server who this computer is."""
        self.socket.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self.socket.bind(self.server_address)
        self.server_address = self.socket.getsockname()
        self.server_name, self.server_port = "benchlog", int(self.server_address[1])

    def process_request(self, request: Any, client_address: Any) -> None:
        """Begin to answer a caller, or turn away one too many."""
        with self._lock:
            if len(self._open) >= CALLERS:
                self._cut_off_idlest()
            too_many = len(self._open) >= CALLERS
            if not too_many:
                self._open[request] = host_deadline(CALL_S)
        if not too_many:
            super().process_request(request, client_address)
            return
        with contextlib.suppress(OSError):
            request.setblocking(False)
            request.send(b"HTTP/1.0 503 Service Unavailable\r\nRetry-After: 5\r\n\r\n")
        self.shutdown_request(request)

    def has_asked(self, request: socket.socket) -> None:
        """Note that a caller's request is there: it is answered."""
        with self._lock:
            self._asked.add(request)

    def _cut_off_idlest(self) -> None:
        """Cut off who came first of those who have not asked yet, if there is one."""
        idlest = next((one for one in self._open if one not in self._asked), None)
        if idlest is not None:
            del self._open[idlest]
            with contextlib.suppress(OSError):
                idlest.shutdown(socket.SHUT_RDWR)

    def shutdown_request(self, request: Any) -> None:
        """Close a connection, and count it no longer."""
        with self._lock:
            self._open.pop(request, None)
            self._asked.discard(request)
        super().shutdown_request(request)

    def service_actions(self) -> None:
        """Cut off whom it takes too long."""
        with self._lock:
            late = [one for one, until in self._open.items() if until.passed]
        for request in late:
            with contextlib.suppress(OSError):
                request.shutdown(socket.SHUT_RDWR)

    def handle_error(self, request: Any, client_address: Any) -> None:
        """Keep quiet of a caller that went away or is no caller."""
