"""Messages of a counter that streams, on their way to the keeper, while it is busy.

A commit may take seconds on a slow disk. Until then the messages wait here, in their
order, up to a bound; beyond it the caller waits, and reads no more of the counter.
"""

import threading
from collections import deque
from typing import Final

from benchlog.clock import HostClock
from benchlog.recorder.instruments.message_pipe import write_all
from benchlog.units import NS_PER_S

ROOM_BYTES: Final = 1 << 25
"""32 MB, two million readings; our rule: twenty seconds of a fast counter."""


class Outgoing:
    """Writes frames into a pipe from a thread of its own."""

    def __init__(self, pipe: int, room_bytes: int = ROOM_BYTES) -> None:
        self._pipe, self._room = pipe, room_bytes
        self._frames: deque[bytes] = deque()
        self._size = 0
        self._broken: OSError | None = None
        self._changed = threading.Condition()
        threading.Thread(target=self._write, daemon=True).start()

    def put(self, frame: bytes) -> float:
        """Hand over a frame; return for how long there was no room, in real s.

        Raises OSError once the keeper is gone.
        """
        began_ns = HostClock().mono_ns()
        with self._changed:
            self._changed.wait_for(self._has_room)
            if self._broken is not None:
                raise self._broken
            self._frames.append(frame)
            self._size += len(frame)
            self._changed.notify_all()
        return (HostClock().mono_ns() - began_ns) / NS_PER_S

    def _has_room(self) -> bool:
        return self._broken is not None or not self._frames or self._size < self._room

    def _write(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: bool(self._frames))
                frame = self._frames[0]
            try:
                write_all(self._pipe, frame)
            except OSError as error:
                with self._changed:
                    self._broken = error
                    self._changed.notify_all()
                return
            with self._changed:
                self._frames.popleft()
                self._size -= len(frame)
                self._changed.notify_all()
