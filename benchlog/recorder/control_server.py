"""Where people who look on may ask something of the keeper: a local socket."""

import contextlib
import selectors
import socket
from collections.abc import Callable
from pathlib import Path

from benchlog.control import MAX_LINE, Answer, Request, decode_request, encode, listen
from benchlog.errors import BenchlogError

_MOST_CALLERS = 32  # our rule: bounds what comes from outside


class ControlServer:
    """Takes one request a connection and answers it; never waits for anybody."""

    def __init__(
        self,
        path: Path,
        selector: selectors.BaseSelector,
        answer: Callable[[Request], Answer],
    ) -> None:
        self.path, self._selector, self._answer = path, selector, answer
        self._said: dict[socket.socket, bytes] = {}
        self._socket = listen(path)
        selector.register(self._socket, selectors.EVENT_READ, ("caller", None))

    def serve(self, caller: socket.socket | None) -> None:
        """Let somebody in (`caller` None) or read on from one who is in."""
        if caller is None:
            self._let_in()
        else:
            self._read(caller)

    def close(self) -> None:
        """Send everybody away and remove the socket."""
        for caller in list(self._said):
            self._drop(caller)
        self._selector.unregister(self._socket)
        self._socket.close()
        self.path.unlink(missing_ok=True)

    def _let_in(self) -> None:
        with contextlib.suppress(OSError):
            caller, _ = self._socket.accept()
            if len(self._said) >= _MOST_CALLERS:
                caller.close()
                return
            caller.setblocking(False)
            self._said[caller] = b""
            self._selector.register(caller, selectors.EVENT_READ, ("caller", caller))

    def _read(self, caller: socket.socket) -> None:
        try:
            part = caller.recv(MAX_LINE)
        except BlockingIOError:
            return
        except OSError:
            part = b""
        said = self._said[caller] + part
        self._said[caller] = said
        if b"\n" in said:
            self._reply(caller, said.split(b"\n", 1)[0])
        elif not part or len(said) > MAX_LINE:
            self._drop(caller)

    def _reply(self, caller: socket.socket, line: bytes) -> None:
        try:
            answer = self._answer(decode_request(line))
        except BenchlogError as error:
            answer = Answer(ok=False, error=str(error))
        with contextlib.suppress(OSError):
            caller.send(encode(answer))
        self._drop(caller)

    def _drop(self, caller: socket.socket) -> None:
        del self._said[caller]
        self._selector.unregister(caller)
        caller.close()
