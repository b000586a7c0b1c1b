"""A keeper's desk for tests: a real control socket, and what was asked of it."""

import asyncio
from collections.abc import Callable, Mapping
from pathlib import Path

from benchlog.control import MAX_LINE, Answer, Request, decode_request, encode, listen


class StubDesk:
    """Listens where a keeper would; every request is kept and answered.

    `on` maps a verb to what is done and said; other verbs are simply fine.
    """

    def __init__(
        self, path: Path, on: Mapping[str, Callable[[Request], Answer]] | None = None
    ) -> None:
        self.asked: list[Request] = []
        self.paused = False
        self.keeps_going = False
        self.runs: list[int] = []
        self.begun: list[int] = []
        self._on = dict(on or {})
        self._socket = listen(path)
        self._loop = asyncio.get_running_loop()
        self._loop.add_reader(self._socket, self._serve)

    def close(self) -> None:
        """Stop listening, as a keeper that ends or is killed."""
        if self._socket.fileno() >= 0:
            self._loop.remove_reader(self._socket)
            self._socket.close()

    @property
    def verbs(self) -> list[str]:
        """What was asked for, questions about the state left out."""
        return [request.do for request in self.asked if request.do != "status"]

    def _serve(self) -> None:
        caller, _ = self._socket.accept()
        with caller:  # the caller is another thread: it has sent, or will at once
            caller.settimeout(2.0)
            request = decode_request(caller.recv(MAX_LINE))
            self.asked.append(request)
            caller.sendall(encode(self._do(request)))

    def _do(self, request: Request) -> Answer:
        if request.do in self._on:
            return self._on[request.do](request)
        match request.do:
            case "pause":
                self.paused = True
            case "go-on":
                self.paused = False
            case "keep-going":
                self.keeps_going = True
            case "status":
                return Answer(ok=True, data=self._status(request))
        return Answer(ok=True)

    def _status(self, request: Request) -> dict[str, object]:
        doing = "paused" if self.paused else "measuring"
        runs = {str(run): doing for run in self.runs or [request.run]}
        return {
            "runs": runs,
            "begun": self.begun or self.runs,
            "keeps_going": self.keeps_going,
        }
