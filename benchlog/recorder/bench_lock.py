"""Who holds a bench: one lock file per address, with the holder's name in it."""

import fcntl
import hashlib
import json
import os
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType

import platformdirs

from benchlog.clock import Clock
from benchlog.errors import BusyError
from benchlog.units import printable


class BenchLocks:
    """Advisory locks on instrument addresses; released when the process ends."""

    def __init__(self, addresses: Iterable[str], holder: str, clock: Clock) -> None:
        """Take all locks or none.

        Raises BusyError that says who holds an address, since when, and what to do.
        """
        self._files: list[int] = []
        said = {"pid": os.getpid(), "holder": holder, "since_utc_ns": clock.utc_ns()}
        try:
            for address in sorted(set(addresses)):
                self._lock(address, json.dumps({**said, "address": address}))
        except BaseException:
            self.release()
            raise

    def release(self) -> None:
        """Let go of every lock; the files stay, empty."""
        for fd in self._files:
            os.ftruncate(fd, 0)
            os.close(fd)
        self._files.clear()

    def __enter__(self) -> "BenchLocks":
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.release()

    def _lock(self, address: str, text: str) -> None:
        fd = os.open(lock_path(address), os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            who = os.pread(fd, 4096, 0)
            os.close(fd)
            raise BusyError(_busy(address, who)) from error
        os.ftruncate(fd, 0)
        os.pwrite(fd, text.encode(), 0)
        self._files.append(fd)


def lock_path(address: str) -> Path:
    """Return the lock file of an address, in a folder that is made."""
    # Not the runtime folder: a service and a terminal of one user have different ones.
    folder = Path(platformdirs.user_state_dir("benchlog")) / "locks"
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    return folder / f"{hashlib.sha256(address.encode()).hexdigest()[:24]}.lock"


def _busy(address: str, who: bytes) -> str:
    try:
        said = json.loads(who)
        holder = f"{printable(str(said['holder']))} (process {said['pid']})"
    except (ValueError, KeyError, TypeError):
        holder = "another process"
    return (
        f"the instrument at {printable(address)} is in use by {holder}; "
        "look on with 'benchlog watch', or stop that run first"
    )
