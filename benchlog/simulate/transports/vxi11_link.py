"""One VXI-11 link: messages go in, a worker carries them out, answers wait to be read.

A new message while an answer waits unread interrupts it (IEEE 488.2: -410), so a late
answer is never taken for the next.
"""

import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

from benchlog.clock import host_deadline
from benchlog.simulate.bench_wait import AbandonedError, Patience, sharpen
from benchlog.simulate.instruments.faults import LineReply
from benchlog.simulate.instruments.station import Station

# INTERRUPTED, UNTERMINATED: source: SCPI-1999 volume 2, 21.8.
INTERRUPTED: Final = -410
UNTERMINATED: Final = -420
_JOIN_S: Final = 5.0  # our rule: threads end by then
_LOOK_S: Final = 0.1  # our rule: seen at once


@dataclass(frozen=True, slots=True)
class ReadRequest:
    """What a read asks for: at most so many bytes, up to a last byte if given."""

    most: int
    timeout_s: float
    last: bytes = b""


@dataclass(frozen=True, slots=True)
class Piece:
    """What one read gives: does it end the answer, did the last byte, hang up?"""

    data: bytes
    end: bool
    last: bool = False
    cut: bool = False


class Vxi11Link:
    """An open link to a station."""

    def __init__(self, station: Station) -> None:
        self.station = station
        self._incoming = bytearray()
        self._requests: deque[bytes] = deque()
        self._running: bytes | None = None
        self._answers: deque[LineReply] = deque()
        self._news = threading.Condition()
        self._epoch = 0
        self._closed = False
        self._worker = threading.Thread(target=self._work, daemon=True)
        self._worker.start()

    @property
    def waiting(self) -> bool:
        """Whether an answer waits to be read (MAV)."""
        return bool(self._answers)

    def write(self, data: bytes, *, end: bool) -> None:
        """Take bytes of a message; with `end` it is complete and begins to run."""
        with self._news:
            self._incoming += data
            if not end:
                return
            if self._answers or any(b"?" in request for request in self._pending()):
                self.station.complain(INTERRUPTED)
                self._forget()
            self._requests.append(bytes(self._incoming))
            self._incoming = bytearray()
            self._news.notify_all()

    def read(self, wanted: ReadRequest, gone: Callable[[], bool]) -> Piece | None:
        """Return what waits, or what comes in time; None when nothing came."""
        end = host_deadline(wanted.timeout_s)
        with self._news:
            while not self._answers and not self._closed and not end.passed:
                self._news.wait(min(_LOOK_S, end.left_s()))
                if gone():
                    return None
            if not self._answers:
                if not self._pending():
                    self.station.complain(UNTERMINATED)
                return None
            return self._piece(wanted)

    def clear(self) -> None:
        """Forget what is going on (device clear, abort)."""
        with self._news:
            self._forget()
            self._incoming.clear()

    def close(self) -> None:
        """End the link and its worker; commands that had arrived are carried out."""
        with self._news:
            self._closed = True
            if any(b"?" in request for request in self._pending()):
                self._forget()  # nobody will read the answers
            self._news.notify_all()
        self._worker.join(_JOIN_S)

    def _pending(self) -> list[bytes]:
        running = [] if self._running is None else [self._running]
        return [*running, *self._requests]

    def _forget(self) -> None:
        self._epoch += 1
        self._requests.clear()
        self._answers.clear()

    def _piece(self, wanted: ReadRequest) -> Piece:
        reply = self._answers[0]
        most = wanted.most
        found = reply.data.find(wanted.last) + 1 if wanted.last else 0
        most = min(most, found) if found else most
        data, rest = reply.data[:most], reply.data[most:]
        if rest:
            self._answers[0] = replace(reply, data=rest)
            return Piece(data, end=False, last=bool(found))
        self._answers.popleft()
        self.station.sent(reply)
        return Piece(data, end=reply.complete, last=bool(found), cut=reply.cut)

    def _work(self) -> None:
        sharpen()
        while True:
            with self._news:
                self._news.wait_for(lambda: self._requests or self._closed)
                if not self._requests:
                    return
                request, epoch = self._requests.popleft(), self._epoch
                self._running = request
            self._carry_out(request, epoch)
            with self._news:
                self._running = None

    def _carry_out(self, request: bytes, epoch: int) -> None:
        patience = Patience(self.station.clock, lambda: self._epoch != epoch)
        try:
            for line in request.splitlines():
                for reply in self.station.replies(line, patience):
                    self.station.due(reply, patience)
                    self._put(reply, epoch)
        except AbandonedError:
            pass  # forgotten, or nobody is there to read it

    def _put(self, reply: LineReply, epoch: int) -> None:
        with self._news:
            if self._epoch != epoch:
                raise AbandonedError
            self._answers.append(reply)
            self._running = None  # answered: the next message interrupts nothing
            self._news.notify_all()
