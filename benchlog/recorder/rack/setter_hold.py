"""A setter is given no order before its keeper holds it by who it is.

Under another kind of address, or behind a relay, another keeper may have it in use. The
setter's process tells who answers and waits; its keeper takes the lock on that
instrument, as it does for counters (`bench_lock.py`), and hands it over, so that it is
held until the setter was let go of, whatever becomes of the keeper.
"""

import contextlib
import os
import select
import socket
from collections.abc import Callable
from typing import Final

from benchlog import registry
from benchlog.clock import Clock, host_deadline
from benchlog.driver import Setter
from benchlog.driver_values import checked_identity
from benchlog.errors import BenchlogError, BusyError, InUseError
from benchlog.model import Identity, InstrumentSpec
from benchlog.recorder.bench_lock import BenchLocks
from benchlog.recorder.rack.setter_job import SetterJob

_PATIENCE_S: Final = 10.0
"""Real seconds for the keeper's answer; our rule: less than a call may take, more than
a commit does."""
_LOOK_S: Final = 0.1  # our rule: soon enough to see that it is to end
_LONGEST: Final = 4000  # our rule: a refusal is 300 letters
_MOST: Final = _LONGEST + 40  # derived: with its number


class HoldGiver:
    """The keeper's end: it answers who may be set, with the lock where there is one."""

    def __init__(self, spec: InstrumentSpec, locks: BenchLocks | None) -> None:
        """`locks` None: nobody else is asked, and all are granted."""
        self._spec, self._locks = spec, locks
        self._here: socket.socket | None = None
        self._lock: int | None = None

    def opened(self) -> socket.socket:
        """Return the other end for a process that is started now."""
        self.close()
        self._here, there = socket.socketpair(type=socket.SOCK_DGRAM)
        self._here.setblocking(False)
        return there

    def inherited(self) -> tuple[int, ...]:
        """Return the locks that a process which is started now holds from the start."""
        if self._locks is None:
            return ()
        address = self._locks.descriptor(self._spec.address)
        return tuple(one for one in (address, self._lock) if one is not None)

    def answer(self, identity: Identity, number: int) -> None:
        """Say whether who answered may be set; the process tells what came of it."""
        refusal, lock = b"", None
        try:
            self._lock = lock = self._asked_for(identity)
        except BusyError as error:
            refusal = str(error).encode()[:_LONGEST]
        if self._here is not None:
            with contextlib.suppress(OSError):  # its process has ended
                told = [b"%d " % number, refusal]
                socket.send_fds(self._here, told, [] if lock is None else [lock])

    def close(self) -> None:
        """Close the end."""
        if self._here is not None:
            self._here.close()
            self._here = None

    def _asked_for(self, identity: Identity) -> int | None:
        if self._locks is None or not registry.load(self._spec.driver).exclusive:
            return None
        return self._locks.hold_setter(identity, self._spec.address)


def connected(
    job: SetterJob,
    clock: Clock,
    *,
    tell: Callable[[Identity, int], None],
    ended: Callable[[], bool],
) -> tuple[Setter, SetterJob]:
    """Return a setter that is open and may be given orders, and the job from now on.

    `tell` has the keeper know who answers, with a number that comes back; `ended` says
    whether nobody needs it any more. Raises WrongInstrumentError, InUseError, and what
    the driver raises.
    """
    driver = registry.load(job.spec.driver)(job.spec.address, job.spec.options, clock)
    if not isinstance(driver, Setter):
        raise BenchlogError(f"driver {job.spec.driver!r} sets nothing")
    driver.open()
    try:
        identity = checked_identity(driver.identify())
        job = job.met(identity)
        if not job.granted:
            number = clock.mono_ns()
            tell(identity, number)
            _wait(job, number, ended)
    except BaseException:
        with contextlib.suppress(Exception):
            driver.close()
        raise
    return driver, job.with_grant()


def _wait(job: SetterJob, number: int, ended: Callable[[], bool]) -> None:
    """Wait for the keeper's answer, and keep the lock that comes with it.

    One that was waited for in vain may come before it; it is of who answered then.
    """
    if job.asks < 0:
        return
    limit = host_deadline(_PATIENCE_S)
    with socket.socket(fileno=os.dup(job.asks)) as asked:
        about = b""
        while about != b"%d" % number:
            if limit.passed or ended():
                raise BenchlogError("the keeper does not tell whether it may be set")
            if select.select([asked], [], [], _LOOK_S)[0]:
                answer, locks, _, _ = socket.recv_fds(asked, _MOST, 1)
                about, _, refusal = answer.partition(b" ")
                for lock in locks:  # also of what is begun in this process's place
                    os.set_inheritable(lock, True)
    if refusal:
        raise InUseError(refusal.decode(errors="replace"), address=job.spec.address)
