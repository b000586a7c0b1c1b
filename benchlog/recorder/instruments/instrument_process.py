"""An instrument's own process: opens, reads, reopens; ends when its keeper does.

A call that never returns, a crash of a vendor library or a busy interpreter then costs
a marked gap, not the run. This module imports nothing that the driver does not need.
"""

import contextlib
import ctypes
import os
import signal
import sys
import threading
from multiprocessing.connection import Connection

from benchlog import registry
from benchlog.clock import Clock, host_clock, host_deadline
from benchlog.driver import Driver
from benchlog.errors import (
    BenchlogError,
    InstrumentError,
    NoSignalError,
    OverloadError,
    WrongInstrumentError,
)
from benchlog.model import Sample
from benchlog.recorder.instruments.instrument_messages import (
    AboutToOpen,
    Allow,
    Failed,
    Got,
    Job,
    Message,
    Opened,
    Order,
    Said,
)
from benchlog.recorder.instruments.shared_counter import SharedCounter

FIRST_WAIT_S = 0.2  # our rule: doubled with each failure
_STALL_S = 0.1  # our rule: a healthy keeper empties a pipe sooner
_LAST_CHANCE_S = 1.0  # our rule: a driver closes its port by then


class Orders:
    """What the keeper has ordered so far; its thread only waits on the pipe."""

    def __init__(
        self,
        pipe: "Connection[Order | Allow, Order | Allow]",
        *,
        hold: bool,
        allowed: int | None = None,
    ) -> None:
        self._pipe, self._allowed = pipe, allowed
        self._changed = threading.Condition()
        self.hold, self.stop = hold, False
        threading.Thread(target=self._listen, daemon=True).start()

    def rest(self, real_s: float) -> None:
        """Wait, but not beyond an order to stop."""
        with self._changed:
            self._changed.wait_for(lambda: self.stop, timeout=real_s)

    def wait_for_go(self) -> None:
        """Wait until reading is wanted, or the end."""
        with self._changed:
            self._changed.wait_for(lambda: self.stop or not self.hold)

    def _listen(self) -> None:
        try:
            while True:
                self._obey(self._pipe.recv())
        except (EOFError, OSError):
            self._obey(Order.STOP)
            # The keeper is gone. A driver that does not come back must not stay.
            threading.Event().wait(_LAST_CHANCE_S)
            os._exit(0)

    def _obey(self, order: Order | Allow) -> None:
        with self._changed:
            self.stop = self.stop or order is Order.STOP
            self.hold = order is Order.HOLD
            if isinstance(order, Allow):
                self._allowed = (self._allowed or 0) + order.more
            else:
                self._allowed = 0 if self.hold else None
            self._changed.notify_all()

    def took_one(self) -> None:
        """Count a value against what is allowed; after the last one, hold."""
        with self._changed:
            if self._allowed is not None:
                self._allowed = max(0, self._allowed - 1)
                self.hold = self._allowed == 0


class Child:
    """Runs one driver until told to stop."""

    def __init__(
        self,
        job: Job,
        pipe: "Connection[Message, Message]",
        orders: Orders,
        clock: Clock,
    ) -> None:
        self.job, self.pipe, self.orders, self.clock = job, pipe, orders, clock
        self.counter_turn = SharedCounter(job.spec.address, job.sharers)
        self.expect = job.expect
        self.wait_s = FIRST_WAIT_S
        self.stalled_s = 0.0

    def run(self) -> None:
        """Open and read; after any error close, wait, open again."""
        attempt = 0
        while not self.orders.stop:
            attempt += 1
            self.say(AboutToOpen(attempt))
            try:
                self._open_and_read()
            except InstrumentError as error:
                self.say(Failed.of(error))
            except Exception as error:
                self.say(self._own_fault(error))
            self._pause()

    def _open_and_read(self) -> None:
        spec = self.job.spec
        driver = registry.load(spec.driver)(spec.address, spec.options, self.clock)
        try:
            self._session(driver)
        except InstrumentError:
            self._tell_messages(driver)
            raise
        finally:
            with contextlib.suppress(Exception):
                driver.close()

    def _session(self, driver: Driver) -> None:
        with self.counter_turn:
            driver.open()
        identity = driver.identify()
        if self.expect not in (None, identity.who):
            raise WrongInstrumentError(
                f"{identity.text!r} answers where {' '.join(self.expect or ())!r} was; "
                "put the right instrument back or start a new run",
                address=self.job.spec.address,
                raw=identity.text.encode(errors="replace"),
            )
        self.expect = identity.who
        self.say(
            Opened(
                identity=identity,
                quantity=driver.quantity,
                unit=driver.unit,
                read_limit_s=driver.read_limit_s * self.job.sharers,
                period_s=driver.period_s,
            )
        )
        self._tell_messages(driver)
        while not self.orders.stop:
            self._one_read(driver)

    def _one_read(self, driver: Driver) -> None:
        if self.orders.hold:
            self.orders.wait_for_go()
            return
        began_ns = self.clock.mono_ns()
        try:
            sample = self._value(driver)
        except (NoSignalError, OverloadError) as error:
            # A complete, well-formed answer: the line is in step, so it stays open.
            self.say(Failed.of(error, opened=True))
            self._pause()
            return
        self.wait_s = FIRST_WAIT_S
        self.orders.took_one()
        self.say(Got(sample, self.stalled_s))
        left_s = driver.period_s - (self.clock.mono_ns() - began_ns) / 1e9
        if driver.period_s > 0 and left_s > 0:
            self.orders.rest(self.clock.real_s(left_s))

    def _value(self, driver: Driver) -> Sample:
        with self.counter_turn:
            if self.counter_turn.shared:
                driver.select()
            return driver.read()

    def _pause(self) -> None:
        self.orders.rest(self.wait_s)
        self.wait_s = min(self.wait_s * 2, self.job.longest_wait_s)

    def _tell_messages(self, driver: Driver) -> None:
        with contextlib.suppress(InstrumentError):
            for text in driver.messages():
                self.say(Said(text))

    def say(self, message: Message) -> None:
        """Hand a message to the keeper; a full pipe blocks, and is remembered."""
        limit = host_deadline(_STALL_S)
        began_ns = self.clock.mono_ns()
        self.pipe.send(message)
        self.stalled_s = (
            (self.clock.mono_ns() - began_ns) / 1e9 if limit.passed else 0.0
        )

    def _own_fault(self, error: Exception) -> Failed:
        where = f"driver {self.job.spec.driver!r}"
        if isinstance(error, BenchlogError):
            return Failed(
                kind="driver",
                message=str(error),
                address=self.job.spec.address,
                command="",
                raw=b"",
            )
        text = f"{where} failed by itself: {type(error).__name__}: {error}"
        return Failed(
            kind="driver",
            message=text,
            address=self.job.spec.address,
            command="",
            raw=b"",
        )


def end_with_parent() -> None:
    """Ask Linux to end this process when its parent ends, however it ends."""
    if sys.platform == "linux":
        with contextlib.suppress(OSError, AttributeError):
            ctypes.CDLL(None).prctl(1, signal.SIGKILL)  # PR_SET_PDEATHSIG


def main() -> None:
    """Serve the keeper at the two pipe ends whose numbers are the arguments."""
    read_fd, write_fd = int(sys.argv[1]), int(sys.argv[2])
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the keeper decides when to end
    signal.signal(signal.SIGHUP, signal.SIG_IGN)
    end_with_parent()
    orders_in: Connection[Order | Allow, Order | Allow]
    orders_in = Connection(read_fd, writable=False)
    out: Connection[Message, Message] = Connection(write_fd, readable=False)
    job = orders_in.recv()
    if not isinstance(job, Job):
        raise SystemExit("the first message was not a job")
    orders = Orders(orders_in, hold=job.hold, allowed=job.allowed)
    child = Child(job, out, orders, host_clock())
    with contextlib.suppress(BrokenPipeError):
        child.run()


if __name__ == "__main__":
    main()
