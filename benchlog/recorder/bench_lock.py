"""Who holds a bench: a lock file per address and instrument, with the holder's name."""

import fcntl
import json
import os
from collections.abc import Iterable
from types import TracebackType
from typing import Final

from benchlog.clock import Clock, host_deadline, host_sleep
from benchlog.driver_kit.endpoint import endpoint
from benchlog.driver_kit.instrument_locks import (
    BY_WHO,
    busy_words,
    instrument_name,
    lock_path,
)
from benchlog.errors import BusyError, UsageError
from benchlog.model import Identity
from benchlog.units import printable

_LOOKED_AT_S: Final = 0.5
"""Our rule: a driver that looks whether an instrument is in use has its lock for less,
also on a busy computer."""
_LOOK_S: Final = 0.02  # our rule: nobody feels it


class BenchLocks:
    """Advisory locks on addresses and on what answers there.

    They are released when the process ends. All spellings of one address are one lock.
    """

    def __init__(self, addresses: Iterable[str], holder: str, clock: Clock) -> None:
        """Take all locks or none.

        Raises BusyError that says who holds an address, since when, and what to do.
        """
        self._files: dict[str, int] = {}
        self._instruments: dict[str, str] = {}
        self._handed: set[int] = set()
        self._said = {
            "pid": os.getpid(),
            "holder": holder,
            "since_utc_ns": clock.utc_ns(),
        }
        try:
            for name, address in sorted({endpoint(a): a for a in addresses}.items()):
                self._lock(name, address, f"the instrument at {address}")
        except BaseException:
            self.release()
            raise

    def hold_instrument(self, identity: Identity, address: str) -> None:
        """Take the lock on the counter that answered at an address.

        What is held stays so; nothing is locked where nobody can tell two of a kind
        apart. Raises BusyError, and UsageError when it is held here under another
        address.
        """
        name = self._held(identity, address)
        if name and self._instruments[name] != address:
            raise UsageError(
                f"{printable(identity.text)} answers at {printable(address)} and at "
                f"{printable(self._instruments[name])}; give both positions the same "
                "address in the bench file, each with an 'input' of its own"
            )

    def hold_setter(self, identity: Identity, address: str) -> int | None:
        """Take the lock on the setter that answered; return it to be handed on.

        None where nobody can tell two of a kind apart. Several setters and a counter
        of one bench may be cards of one instrument. Raises BusyError.
        """
        name = self._held(identity, address)
        return self._hand_on(self._files[name]) if name else None

    def descriptor(self, address: str) -> int | None:
        """Return the lock's descriptor: a process that inherits it holds it, too."""
        found = self._files.get(endpoint(address))
        return None if found is None else self._hand_on(found)

    def release(self) -> None:
        """Let go of every lock; the files stay, empty where nobody else holds them."""
        for fd in self._files.values():
            if fd not in self._handed:
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

    def _held(self, identity: Identity, address: str) -> str:
        """Return the name of the lock on who answered, taken; empty: none can be."""
        name = instrument_name(identity, address)
        if name and name not in self._files:
            what = f"{identity.text} (at {address})"
            self._lock(name, address, what, by_who=True)
            self._instruments[name] = address
        return name

    def _hand_on(self, fd: int) -> int:
        self._handed.add(fd)
        return fd

    def _lock(
        self, name: str, address: str, what: str, *, by_who: bool = False
    ) -> None:
        fd = os.open(lock_path(name), os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        try:
            _lock_file(fd)
        except OSError as error:
            who = os.pread(fd, 4096, 0)
            os.close(fd)
            raise BusyError(busy_words(what, address, who)) from error
        os.ftruncate(fd, 0)
        told = {**self._said, "address": address, BY_WHO: by_who}
        os.pwrite(fd, json.dumps(told).encode(), 0)
        self._files[name] = fd


def _lock_file(fd: int) -> None:
    """Lock a file. Raises OSError where somebody holds it for longer than a look."""
    limit = host_deadline(_LOOKED_AT_S)
    while True:
        try:
            return fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            if limit.passed:
                raise
        host_sleep(_LOOK_S)
