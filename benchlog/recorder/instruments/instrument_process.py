"""An instrument's own process: opens, reads, reopens; ends when its keeper does.

A call that never returns, a crash of a vendor library or a busy interpreter then costs
a marked gap, not the run. This module imports nothing that the driver does not need.
"""

import contextlib
import os
import signal
import sys
import threading
from dataclasses import replace
from multiprocessing.connection import Connection

from benchlog import registry
from benchlog.clock import Clock, host_clock, host_deadline
from benchlog.driver import Driver
from benchlog.driver_blocks import (
    StreamingDriver,
    check_block_stamps,
    checked_block,
)
from benchlog.driver_values import (
    check_stamp,
    checked_identity,
    checked_messages,
    checked_promise,
    checked_sample,
)
from benchlog.errors import (
    BenchlogError,
    DriverFaultError,
    InstrumentError,
    NoSignalError,
    OverloadError,
    WrongInstrumentError,
)
from benchlog.model import Identity, Sample
from benchlog.recorder.instruments.instrument_messages import (
    DRIVER,
    AboutToOpen,
    Allow,
    Failed,
    Got,
    GotBlock,
    Job,
    Message,
    Opened,
    Order,
    Said,
    bounded,
    words_of,
)
from benchlog.recorder.instruments.message_pipe import write_all
from benchlog.recorder.instruments.message_wire import to_frame
from benchlog.recorder.instruments.outgoing import Outgoing
from benchlog.recorder.instruments.parent_death import signal_at_parents_death
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
        self.begun = 0
        """How often reading was ordered: another device's turn has begun since."""
        threading.Thread(target=self._listen, daemon=True).start()

    def rest(self, real_s: float, begun: int | None = None) -> bool:
        """Wait, but not beyond an order to stop; whether an order ended it.

        With `begun`, what that was before, also not beyond an order to read.
        """
        with self._changed:
            return self._changed.wait_for(
                lambda: self.stop or begun not in (None, self.begun), timeout=real_s
            )

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
            self.begun += order is Order.GO or isinstance(order, Allow)
            if isinstance(order, Allow):
                self._allowed = (self._allowed or 0) + order.more
            else:
                self._allowed = 0 if self.hold else None
            self._changed.notify_all()

    @property
    def endless(self) -> bool:
        """Whether values are wanted, any number of them."""
        with self._changed:
            return not self.hold and self._allowed is None

    def took_one(self) -> None:
        """Count a value against what is allowed; after the last one, hold."""
        with self._changed:
            if self._allowed is not None:
                self._allowed = max(0, self._allowed - 1)
                self.hold = self._allowed == 0


class Child:
    """Runs one driver until told to stop; `pipe` is where the keeper reads.

    Whatever the driver hands over is checked here, before it is sent: a fault of it is
    a failure of kind `driver` that names the driver and the field.
    """

    def __init__(self, job: Job, pipe: int, orders: Orders, clock: Clock) -> None:
        self.job, self.pipe, self.orders, self.clock = job, pipe, orders, clock
        self.unit = ""
        self.opened_ns = clock.mono_ns()
        self.counter_turn = SharedCounter(job.spec.address, job.sharers)
        self.expect = job.expect
        self.wait_s = FIRST_WAIT_S
        self.stalled_s = 0.0
        self.outgoing: Outgoing | None = None
        self._pid = os.getpid()
        self._streaming: StreamingDriver | None = None

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
            with contextlib.suppress(Exception):  # the error matters more
                self._tell_messages(driver)
            raise
        finally:
            with contextlib.suppress(Exception):
                driver.close()

    def _session(self, driver: Driver) -> None:
        self._streaming = None
        self.opened_ns = self.clock.mono_ns()
        with self.counter_turn:
            driver.open()
        identity = self._marked(checked_identity(driver.identify()))
        if self.expect not in (None, identity.who):
            raise WrongInstrumentError(
                f"{identity.text!r} answers where {' '.join(self.expect or ())!r} was; "
                "put the right instrument back or start a new run",
                address=self.job.spec.address,
                raw=identity.text.encode(errors="replace"),
            )
        promise = checked_promise(driver)
        self.expect, self.unit = identity.who, promise.unit
        self.say(
            Opened(
                identity=identity,
                quantity=promise.quantity,
                unit=promise.unit,
                read_limit_s=promise.read_limit_s * self.job.sharers,
                period_s=promise.period_s,
            )
        )
        self._tell_messages(driver)
        while not self.orders.stop:
            if (stream := self._stream_of(driver)) is not None:
                self._one_block(stream)
            else:
                self._one_read(driver, promise.period_s)

    def _marked(self, identity: Identity) -> Identity:
        """Mark what is simulated although it does not tell so itself."""
        from benchlog.driver_kit.simulated_endpoints import is_simulated  # noqa: PLC0415 - a driver may do without the kit

        if is_simulated(self.job.spec.address, self.job.spec.options):
            return replace(identity, simulated=True)
        return identity

    def _one_read(self, driver: Driver, period_s: float) -> None:
        if self._streaming is not None:
            self._streaming.end_stream()
            self._streaming = None
        if self.orders.hold:
            self.orders.wait_for_go()
            return
        began_ns, begun = self.clock.mono_ns(), self.orders.begun
        try:
            sample = self._value(driver)
        except (NoSignalError, OverloadError) as error:
            # A complete, well-formed answer: the line is in step, so it stays open.
            self.say(Failed.of(error, opened=True))
            self._pause(begun)
            return
        self.wait_s = FIRST_WAIT_S
        self.orders.took_one()
        self.say(Got(sample, self.stalled_s))
        left_s = period_s - (self.clock.mono_ns() - began_ns) / 1e9
        if period_s > 0 and left_s > 0:
            self.orders.rest(self.clock.real_s(left_s))

    def _stream_of(self, driver: Driver) -> StreamingDriver | None:
        """Return the driver where many readings are to be had at once.

        None where they are counted, or the counter is shared.
        """
        alone = self.job.blocks and not self.counter_turn.shared
        if not (alone and self.orders.endless and isinstance(driver, StreamingDriver)):
            return None
        return driver if driver.streams is True else None

    def _one_block(self, driver: StreamingDriver) -> None:
        self._streaming = driver
        try:
            block = checked_block(driver.read_block(), self.unit)
        except (NoSignalError, OverloadError) as error:
            self.say(Failed.of(error, opened=True))
            self._pause()
            return
        check_block_stamps(block, self.opened_ns, self.clock.mono_ns())
        self.wait_s = FIRST_WAIT_S
        if self.outgoing is None:
            self.outgoing = Outgoing(self.pipe)
        self.say(GotBlock(block, self.stalled_s))

    def _value(self, driver: Driver) -> Sample:
        with self.counter_turn:
            if self.counter_turn.shared:
                driver.select()
            handed = driver.read()
        sample = checked_sample(handed, self.unit)
        check_stamp(sample, self.opened_ns, self.clock.mono_ns())
        return sample

    def _pause(self, begun: int | None = None) -> None:
        """Wait after a failure; a turn that begins meanwhile is not made to wait."""
        if self.orders.rest(self.wait_s, begun):
            self.wait_s = FIRST_WAIT_S
        else:
            self.wait_s = min(self.wait_s * 2, self.job.longest_wait_s)

    def _tell_messages(self, driver: Driver) -> None:
        try:
            said = driver.messages()
        except InstrumentError:
            return  # the next reading will tell
        for text in checked_messages(said):
            self.say(Said(text))

    def say(self, message: Message) -> None:
        """Hand a message to the keeper; a full pipe blocks, and is remembered.

        A copy of this process, that a driver made and came back in, says nothing.
        """
        if os.getpid() != self._pid:
            os._exit(1)
        if self.outgoing is not None:
            waited_s = self.outgoing.put(to_frame(message))
            self.stalled_s = waited_s if waited_s > _STALL_S else 0.0
            return
        limit = host_deadline(_STALL_S)
        began_ns = self.clock.mono_ns()
        write_all(self.pipe, to_frame(message))
        self.stalled_s = (
            (self.clock.mono_ns() - began_ns) / 1e9 if limit.passed else 0.0
        )

    def _own_fault(self, error: Exception) -> Failed:
        where = f"driver {self.job.spec.driver!r}"
        if isinstance(error, DriverFaultError):
            text = f"{where} is at fault: {words_of(error)}"
        elif isinstance(error, BenchlogError):
            text = words_of(error)
        else:
            kind = type(error).__name__
            text = f"{where} failed by itself: {kind}: {words_of(error)}"
        return Failed(
            kind=DRIVER,
            message=bounded(text),
            address=bounded(self.job.spec.address),
            command="",
            raw=b"",
        )


def main() -> None:
    """Serve the keeper at the two pipe ends whose numbers are the arguments."""
    read_fd, write_fd = int(sys.argv[1]), int(sys.argv[2])
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the keeper decides when to end
    signal.signal(signal.SIGHUP, signal.SIG_IGN)
    signal_at_parents_death(signal.SIGKILL)
    orders_in: Connection[Order | Allow, Order | Allow]
    orders_in = Connection(read_fd, writable=False)
    job = orders_in.recv()
    if not isinstance(job, Job):
        raise SystemExit("the first message was not a job")
    orders = Orders(orders_in, hold=job.hold, allowed=job.allowed)
    child = Child(job, write_fd, orders, host_clock())
    with contextlib.suppress(BrokenPipeError):
        child.run()


if __name__ == "__main__":
    main()
