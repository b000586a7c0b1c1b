"""Where people who look on may ask something of the keeper: a local socket."""

import contextlib
import os
import selectors
import socket
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from benchlog.clock import Deadline, host_deadline, host_moment
from benchlog.control import (
    ELSEWHERE,
    MAX_LINE,
    Answer,
    Request,
    decode_request,
    encode,
    listen,
)
from benchlog.errors import BenchlogError
from benchlog.recorder.boundary import PASSES, Boundary

_MOST_CALLERS: Final = 32  # our rule: bounds what comes from outside
_AT_ONCE: Final = 16  # our rule: instruments do not wait for a crowd
_PATIENCE_S: Final = 2.0  # our rule: a program says what it wants at once
_SHUT_S: Final = 1.0  # our rule: files are free again, or not, by then
_ANOTHERS: Final = (
    "this keeper has the runs of another database, or the question came from another "
    "version of benchlog; nothing was done"
)


@dataclass(slots=True)
class Caller:
    """Somebody who is in: what was said so far, since when, and how long that lasts."""

    link: socket.socket
    said: bytearray = field(default_factory=bytearray)
    heard_ns: int = field(default_factory=lambda: host_moment().awake_ns)
    until: Deadline = field(default_factory=lambda: host_deadline(_PATIENCE_S))


class ControlServer:
    """Takes one request a connection and answers it; never waits for anybody.

    Who says nothing is sent away after 2 s. Where too many are in, the idlest goes and
    the newest comes in. Who found the socket in another database than this keeper's
    gets nothing: its numbers are those of other runs.
    """

    def __init__(
        self,
        path: Path,
        database: str,
        selector: selectors.BaseSelector,
        answer: Callable[[Request], Answer],
        boundary: Boundary,
    ) -> None:
        self.path, self._selector, self._answer = path, selector, answer
        self._database = database
        self._boundary = boundary
        self._callers: dict[socket.socket, Caller] = {}
        self._socket: socket.socket | None = None
        self._shut: Deadline | None = None
        self._open()

    def serve(self, caller: socket.socket | None) -> None:
        """Let somebody in (`caller` None) or read on from one who is in."""
        if caller is None:
            self._let_in()
        elif caller in self._callers:  # not one who had to go a moment ago
            self._read(self._callers[caller])

    def send_away(self, caller: socket.socket | None) -> None:
        """Let somebody go who cannot be served; a door that fails is shut a while."""
        if caller is None:
            self._shut_for_a_while()
        elif caller in self._callers:
            self._drop(self._callers[caller])

    def tend(self) -> None:
        """Send those away who say nothing; see that the door is there and open."""
        for caller in list(self._callers.values()):
            if caller.until.passed:
                self._drop(caller)
        if self._socket is not None and self._shut is not None and self._shut.passed:
            self._shut = None
            self._selector.register(self._socket, selectors.EVENT_READ, _DOOR)
        if not self._is_there():  # somebody tidied up: people must find the keeper
            self._close_door()
            self._open()

    def close(self) -> None:
        """Send everybody away and remove the socket."""
        for caller in list(self._callers.values()):
            self._drop(caller)
        is_mine = self._is_there()
        self._close_door()
        if is_mine:
            with contextlib.suppress(OSError):
                self.path.unlink()

    def _open(self) -> None:
        self._socket = listen(self.path)
        self._mine = self.path.lstat()
        self._selector.register(self._socket, selectors.EVENT_READ, _DOOR)

    def _close_door(self) -> None:
        if self._socket is None:
            return
        if self._shut is None:
            self._selector.unregister(self._socket)
        self._socket.close()
        self._socket, self._shut = None, None

    def _is_there(self) -> bool:
        """Whether the socket is still where people look for it."""
        try:
            return os.path.samestat(self.path.lstat(), self._mine)
        except OSError:
            return False

    def _let_in(self) -> None:
        for _ in range(_AT_ONCE):
            if self._socket is None:
                return
            try:
                link, _ = self._socket.accept()
            except BlockingIOError:
                return
            except OSError:
                self._shut_for_a_while()
                return
            link.setblocking(False)
            if len(self._callers) >= _MOST_CALLERS:
                self._drop(min(self._callers.values(), key=lambda one: one.heard_ns))
            caller = self._callers[link] = Caller(link)
            self._selector.register(link, selectors.EVENT_READ, ("caller", link))
            self._read(caller)  # what a program says is there already, mostly

    def _shut_for_a_while(self) -> None:
        """Let nobody in where there are no files left; those inside may go on."""
        if self._socket is not None:
            self._selector.unregister(self._socket)
            self._shut = host_deadline(_SHUT_S)

    def _read(self, caller: Caller) -> None:
        try:
            part = caller.link.recv(MAX_LINE)
        except BlockingIOError:
            return
        except OSError:
            part = b""
        caller.heard_ns = host_moment().awake_ns
        caller.said += part
        line, end, _ = caller.said.partition(b"\n")
        if len(line) > MAX_LINE:
            longest = f"a request is a line of {MAX_LINE:,} bytes at the longest"
            self._reply(caller, Answer(ok=False, error=longest))
        elif end:
            self._reply(caller, self._answer_to(bytes(line)))
        elif not part:
            self._drop(caller)

    def _answer_to(self, line: bytes) -> Answer:
        try:
            with self._boundary.round(
                "a request", beside=line, passes=(BenchlogError, *PASSES)
            ) as deed:
                request = decode_request(line)
                if request.database != self._database:
                    return Answer(ok=False, error=_ANOTHERS, data={ELSEWHERE: True})
                return self._answer(request)
        except BenchlogError as error:
            return Answer(ok=False, error=str(error))
        return Answer(ok=False, error=f"{deed.words}; this was not done")

    def _reply(self, caller: Caller, answer: Answer) -> None:
        with contextlib.suppress(OSError):
            caller.link.send(encode(answer))
        self._drop(caller)

    def _drop(self, caller: Caller) -> None:
        if self._callers.pop(caller.link, None) is not None:
            self._selector.unregister(caller.link)
            caller.link.close()


_DOOR: Final = ("caller", None)
