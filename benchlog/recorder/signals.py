"""Signals as something to wait for: the loop wakes, looks, and decides."""

import contextlib
import os
import signal
import socket
from types import FrameType, TracebackType

_WATCHED = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGCONT)


class Signals:
    """Catches SIGINT, SIGTERM and SIGHUP while in use; `fileno` becomes readable.

    A SIGHUP that is ignored stays so: `nohup` asks for that. Whoever had SIGTERM or
    SIGHUP before is called with it afterwards, without a frame.
    `continued` tells that the process goes on after it was stopped (SIGCONT).
    """

    def __init__(self) -> None:
        self.caught: signal.Signals | None = None
        self.continued = False
        self._mine, self._theirs = socket.socketpair()
        self._before: dict[signal.Signals, object] = {}
        self._to_tell: set[signal.Signals] = set()

    def fileno(self) -> int:
        """Return what to wait on."""
        return self._mine.fileno()

    def __enter__(self) -> "Signals":
        for sock in (self._mine, self._theirs):
            sock.setblocking(False)
        for number in _WATCHED:
            if number == signal.SIGHUP and signal.getsignal(number) == signal.SIG_IGN:
                continue
            self._before[number] = signal.signal(number, self._catch)
        self._wakeup = signal.set_wakeup_fd(
            self._theirs.fileno(), warn_on_full_buffer=False
        )
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        signal.set_wakeup_fd(self._wakeup)
        for number, before in self._before.items():
            signal.signal(number, before)  # type: ignore[arg-type]
        self._mine.close()
        self._theirs.close()
        for number in self._to_tell:
            before = self._before[number]
            if callable(before):
                before(number, None)

    def drain(self) -> None:
        """Take what woke the loop."""
        with contextlib.suppress(BlockingIOError):
            os.read(self._mine.fileno(), 64)

    def _catch(self, number: int, frame: FrameType | None) -> None:  # noqa: ARG002
        if number == signal.SIGCONT:
            self.continued = True
        else:
            self.caught = signal.Signals(number)
            if self.caught is not signal.SIGINT:
                self._to_tell.add(self.caught)
