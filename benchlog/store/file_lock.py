"""One file lock beside the database, for a SQLite library with the WAL bug.

There a commit on one connection may not meet the start of a checkpoint on another:
every commit and every checkpoint of ours then happens under this lock, and automatic
checkpoints are off. With a fixed SQLite nothing is locked.
"""

import fcntl
import os
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from pathlib import Path
from typing import Final, Protocol

from benchlog.clock import host_deadline, host_sleep
from benchlog.errors import StoreError, StoreLockedError

_RETRY_S: Final = 0.005


class Guard(Protocol):
    """What a writer holds while it commits or checkpoints."""

    def held(self) -> AbstractContextManager[None]:
        """Hold it for the length of a `with`. Raises StoreLockedError."""
        ...

    def close(self) -> None:
        """Let go of the lock's file."""
        ...


class NoGuard:
    """Nothing to hold: SQLite's own locks suffice."""

    def held(self) -> AbstractContextManager[None]:
        """See `Guard.held`."""
        return nullcontext()

    def close(self) -> None:
        """See `Guard.close`."""


class FileLock:
    """An advisory lock on `NAME-lock` beside the database."""

    def __init__(self, database: Path, limit_s: float) -> None:
        self.path = database.with_name(database.name + "-lock")
        self.limit_s = limit_s
        try:
            self._file = os.open(
                self.path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644
            )
        except OSError as error:
            raise StoreError(
                f"the lock file {self.path} cannot be made: {error.strerror}; "
                "check the rights of its folder"
            ) from error

    @contextmanager
    def held(self) -> Iterator[None]:
        """See `Guard.held`."""
        self._lock_file()
        try:
            yield
        finally:
            fcntl.flock(self._file, fcntl.LOCK_UN)

    def close(self) -> None:
        """See `Guard.close`. The file stays: removing it would split the lock."""
        if self._file >= 0:
            os.close(self._file)
            self._file = -1

    def _lock_file(self) -> None:
        deadline = host_deadline(self.limit_s)
        while True:
            try:
                fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                if deadline.passed:
                    raise StoreLockedError(
                        f"another program holds {self.path}; try again"
                    ) from None
                host_sleep(_RETRY_S)
            else:
                return
