"""Inputs of one counter measured one after the other: whose turn it is.

Each input has a process of its own, and the counter measures one at a time. Two lock
files in a row keep the order: who holds the turn has to queue again for the next one,
and finds those who have been waiting there before it. A process that dies lets go.
"""

import fcntl
import os
from types import TracebackType


class SharedCounter:
    """The turns at one address; a context in which the instrument is ours alone.

    With one `sharer` nothing is locked.
    """

    def __init__(self, address: str, sharers: int) -> None:
        self.shared = sharers > 1
        self._files: tuple[int, ...] = ()
        if self.shared:
            from benchlog.driver_kit.instrument_locks import lock_path  # noqa: PLC0415 - rarely

            flags = os.O_RDWR | os.O_CREAT | os.O_CLOEXEC
            names = (f"queue for {address}", f"turn at {address}")
            self._files = tuple(os.open(lock_path(n), flags, 0o600) for n in names)

    def __enter__(self) -> None:
        """Wait for the turn."""
        if self.shared:
            queue, turn = self._files
            fcntl.flock(queue, fcntl.LOCK_EX)
            fcntl.flock(turn, fcntl.LOCK_EX)
            fcntl.flock(queue, fcntl.LOCK_UN)

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Let the next one have it."""
        if self.shared:
            fcntl.flock(self._files[1], fcntl.LOCK_UN)
