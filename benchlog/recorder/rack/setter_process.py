"""A setter's own process: it orders, reads back, and lets go when nobody speaks to it.

Orders come in as lines of JSON, reports go out likewise. Whatever happens to the
keeper, the setter is released: when the pipe ends, when the keeper is silent for
`dead_man_s` real seconds, at SIGTERM, and when a value is measured far outside the
bounds. A keeper that speaks again after a silence finds it released and is told so. An
error of the line alone releases nothing: it is opened anew, and the keeper is told.

What a driver hands over is checked before it is reported, each order is answered, and a
call that does not come back is left behind (`call_watch.py`). What a driver prints goes
nowhere: the pipe to the keeper is not its standard output.
"""

import base64
import contextlib
import json
import os
import pickle
import queue
import select
import signal
import sys
import threading
from typing import Any, Final

from benchlog.clock import Clock, host_clock, host_deadline, host_sleep
from benchlog.driver import Setter
from benchlog.driver_values import checked_identity, checked_sample, real
from benchlog.errors import BenchlogError, RefusedError
from benchlog.recorder.instruments.instrument_messages import words_of
from benchlog.recorder.instruments.parent_death import signal_at_parents_death
from benchlog.recorder.rack.call_watch import (
    MOST_BEGINNINGS,
    CallWatch,
    Carried,
    begin_anew,
)
from benchlog.recorder.rack.setter_hold import connected
from benchlog.recorder.rack.setter_job import (
    LEAVING_MIN,
    SetterJob,
    fault_of,
    told_of,
)
from benchlog.units import as_stated

_TRIES: Final = 3  # our rule: a release that fails is tried so often before the end
_WAIT_S: Final = (0.2, 5.0)  # our rule: pauses between attempts to open, doubling
_AGAIN_S: Final = 0.5  # our rule: soon enough once the line is back
_READ_S: Final = 0.1  # our rule: what was just read is noted by then
_LOOK_S: Final = 0.1  # our rule: no body follows sooner; in real s, also at a high pace
_MARGIN: Final = 0.05  # of its range: so far a chamber may overshoot; our rule
_LINE: Final = 65_536  # our rule: bounds an order
_TOLD_S: Final = 2.0
"""So often, in real s, it tells how it is at least; our rule: with two timeouts of 1 s
and the patience of 5 s, what is cut is noticed within 10 s."""
_CALLS: Final = 4  # our rule: questions that one order takes, each with its patience
_MODULE: Final = "benchlog.recorder.rack.setter_process"
_UNEXPECTED: Final = (Exception, SystemExit)
"""What a stranger's driver may raise; none of it may end the process unreleased."""


class SetterChild:
    """Runs one setter; all calls of the driver are made in this one thread."""

    def __init__(
        self,
        job: SetterJob,
        clock: Clock,
        *,
        reports: int = 1,
        carried: Carried | None = None,
    ) -> None:
        self.job, self.clock, self._reports = job, clock, reports
        self._carried = carried or Carried(released=not job.held)
        self.orders: queue.Queue[dict[str, Any]] = queue.Queue()
        self.ended = threading.Event()
        self._heard = host_deadline(job.dead_man_s)
        self._setter: Setter | None = None
        self._released = self._carried.released  # nothing was ordered, or it is known
        self._ordered = self._carried.ordered or job.held
        self._pid = os.getpid()
        self._stale = 0  # orders up to this number were given before it let go
        self._watch = CallWatch(self._is_leaving, self._leave_call)
        if self._carried.ended:
            self.ended.set()

    def listen(self) -> None:
        """Take orders until the pipe ends; in a thread of its own."""
        with contextlib.suppress(OSError, ValueError):
            while line := sys.stdin.buffer.readline(_LINE):
                self._heard = host_deadline(self.job.dead_man_s)
                order = json.loads(line)
                if isinstance(order, dict) and order.get("do") != "alive":
                    self.orders.put(order)
        self.end()

    def end(self) -> None:
        """Let it end, whatever it waits for."""
        self.ended.set()
        self.orders.put({"do": "end"})

    def run(self) -> None:
        """Serve until the end; it is released on the way out, whatever happens."""
        wait_s = _WAIT_S[0]
        self._watch.start()
        if self._carried.leaving:  # before anything else hangs
            self._let_go("the keeper's silence")
        while not self.ended.is_set():
            try:
                with self._watch.call(self._states_s):
                    self._open()
                wait_s = _WAIT_S[0]
                self._serve()
            except BenchlogError as error:
                self._say(kind="fault", **fault_of(error))
            except _UNEXPECTED as error:
                text = f"{type(error).__name__}: {words_of(error)}"
                self._say(kind="fault", text=f"driver failed by itself: {text}")
            if not self.ended.is_set():
                self._close()
                self.ended.wait(wait_s)
                if self._keeper_is_silent():
                    self._let_go("the keeper's silence")
            wait_s = min(2 * wait_s, _WAIT_S[1])
        self._let_go("the way out")
        self._go_on_letting_go()
        self._close()
        self._say(kind="farewell", released=self._released)

    def _go_on_letting_go(self) -> None:
        """Try for a while what could not be done: its line may come back."""
        limit = host_deadline(60.0 * LEAVING_MIN)
        while self._ordered and not self._released and not limit.passed:
            host_sleep(_AGAIN_S)
            self._let_go("the way out")

    def _keeper_is_silent(self) -> bool:
        """Whether it said nothing for too long, and nothing waits to be read, either.

        Something does where this process itself was stopped, or got no time.
        """
        if not self._heard.passed:
            return False
        with contextlib.suppress(OSError, ValueError):
            if select.select([sys.stdin], [], [], 0.0)[0]:
                return False  # `listen` reads it, or sees the pipe's end
        self.ended.wait(_READ_S)
        return self._heard.passed

    # --- calls that do not come back --------------------------------------------------

    @property
    def _states_s(self) -> float:
        """Real seconds that its options state an order may take."""
        options = self.job.spec.options
        several = (options.get("extra_s"), options.get("limit_s"))
        found = [one for one in several if isinstance(one, int | float)]
        return _CALLS * max(found, default=0.0)

    def _is_leaving(self) -> bool:
        return self.ended.is_set() or (not self._released and self._keeper_is_silent())

    def _leave_call(self) -> None:
        """Begin this process anew: its one thread waits for what does not come."""
        before = self._carried.beginnings
        self._say(kind="fault", text="a call did not come back; it is begun anew")
        if before >= MOST_BEGINNINGS:
            os._exit(1)  # a keeper that is there starts another one
        carried = Carried(
            beginnings=before + 1,
            released=self._released,
            ordered=self._ordered,
            leaving=self._is_leaving(),
            ended=self.ended.is_set(),
        )
        os.dup2(self._reports, 1)
        begin_anew(_MODULE, pickle.dumps((self.job, carried)))

    # --- details ----------------------------------------------------------------------

    def _open(self) -> None:
        setter = self._connected()
        self._released = False  # in whatever state it was left
        identity = checked_identity(setter.identify())
        switches = setter.switches is True
        self._say(kind="opened", switches=switches, **told_of(identity))

    def _connected(self) -> Setter:
        """Open the setter, if it is not open, and return it."""
        if self._setter is not None:
            return self._setter
        self._setter, self.job = connected(
            self.job,
            self.clock,
            tell=lambda who, number: self._say(
                kind="met", number=number, **told_of(who)
            ),
            ended=self.ended.is_set,
        )
        return self._setter

    def _close(self) -> None:
        setter, self._setter = self._setter, None
        if setter is not None:
            with self._watch.call(), contextlib.suppress(*_UNEXPECTED):
                setter.close()

    def _serve(self) -> None:
        """Carry out orders; between them, tell how it is."""
        setter = self._opened()
        period_s = real("period_s", setter.period_s, 0.0)
        pause_s = min(_TOLD_S, max(_LOOK_S, self.clock.real_s(period_s or 1.0)))
        look = host_deadline(0.0)
        while not self.ended.is_set():
            if not self._released and self._keeper_is_silent():
                self._let_go("the keeper's silence")
            try:
                order = self.orders.get(timeout=min(look.left_s(), 0.25))
            except queue.Empty:
                order = {}
            with self._watch.call(self._states_s):
                if order:
                    self._obey(setter, order)
                if look.passed:
                    look = host_deadline(pause_s)
                    self._look(setter)

    def _obey(self, setter: Setter, order: dict[str, Any]) -> None:
        number, do = order.get("number", 0), order.get("do")
        if do == "end":
            return
        try:
            if number <= self._stale:
                raise RefusedError("it was let go of meanwhile; order it anew")
            match do:
                case "set":
                    value = self._within(order.get("value"))
                    self._released, self._ordered = False, True
                    setter.set(value)
                    got = real("read_back()", setter.read_back())
                    self._say(kind="done", number=number, ordered=value, read_back=got)
                case "switch":
                    self._released, self._ordered = False, True
                    setter.switch(bool(order.get("on")))
                    self._say(kind="done", number=number)
                case "check":
                    got = setter.read_back()
                    self._say(kind="done", number=number, read_back=got)
                case "release":
                    self._let_go("an order", tell=False)
                    self._say(kind="done", number=number)
                case _:
                    raise RefusedError(f"there is no order {do!r}")
        except RefusedError as error:
            self._say(kind="refused", number=number, text=words_of(error))
        except _UNEXPECTED as error:  # whoever ordered it must not wait for an answer
            self._say(kind="refused", number=number, text=words_of(error))
            raise

    def _within(self, value: object) -> float:
        """Return a value that may be set. Raises RefusedError; nothing is sent then."""
        opens_all = self._opened().quantity == "channel"
        return self.job.within(value, opens_all=opens_all)

    def _look(self, setter: Setter) -> None:
        """Measure and read back; let go of what has gone far outside the bounds."""
        sample = checked_sample(setter.read(), setter.unit)
        value = real("Sample.value", sample.value)
        told: dict[str, Any] = {"kind": "state", "value": value}
        told |= {"utc_ns": sample.utc_ns, "mono_ns": sample.mono_ns}
        with contextlib.suppress(RefusedError):
            told["read_back"] = real("read_back()", setter.read_back())
        low, high = self.job.bounds
        margin = _MARGIN * (high - low)
        # what is off has no voltage: only temperature can be too low
        too_low = setter.quantity == "temperature" and sample.value < low - margin
        too_high = setter.quantity != "channel" and sample.value > high + margin
        if self._ordered and not self._released and (too_low or too_high):
            self._let_go(f"{as_stated(sample.value, 5)} {setter.unit}, far outside")
        self._say(**told, released=self._released)

    def _let_go(self, why: str, *, tell: bool = True) -> None:
        """Release it, if it was not; tried a few times, with a new connection."""
        if self._released:
            return
        for _ in range(_TRIES):
            try:
                with self._watch.call(self._states_s):
                    self._connected().release()
            except _UNEXPECTED as error:
                self._close()
                self._say(kind="fault", text=f"letting go failed: {words_of(error)}")
                continue
            self._released = True
            self._stale = self._last_number()
            if tell:
                self._say(kind="released", text=why)
            return

    def _last_number(self) -> int:
        """Return the number of the newest order that waits; they are void now."""
        waiting: list[dict[str, Any]] = []
        with contextlib.suppress(queue.Empty):
            while True:
                waiting.append(self.orders.get_nowait())
        for order in waiting:
            self.orders.put(order)
        numbers = (one.get("number", 0) for one in waiting if one.get("do") != "end")
        return max(numbers, default=self._stale)

    def _opened(self) -> Setter:
        if self._setter is None:
            raise BenchlogError("the setter is not open")
        return self._setter

    def _say(self, **told: Any) -> None:
        """Report; a keeper that is gone hears nothing, and that is no trouble.

        A copy of this process, that a driver made and came back in, says nothing.
        """
        if os.getpid() != self._pid:
            os._exit(1)
        with contextlib.suppress(OSError, ValueError):
            line = json.dumps(told, allow_nan=False).encode() + b"\n"
            os.write(self._reports, line)


def main() -> None:
    """Serve the keeper at standard input and output; the first line is the job.

    A process that is begun anew in the place of another one finds its job in the file
    whose number is the argument.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the keeper decides when to end
    signal.signal(signal.SIGHUP, signal.SIG_IGN)
    # a keeper that is killed continues nobody, and who is stopped lets go of nothing
    signal_at_parents_death(signal.SIGCONT)
    if len(sys.argv) > 1:
        with os.fdopen(int(sys.argv[1]), "rb") as file:
            job, carried = pickle.load(file)  # noqa: S301 - from ourselves
    else:
        line = sys.stdin.buffer.readline()
        job, carried = pickle.loads(base64.b64decode(line)), None  # noqa: S301 - from our keeper
    if not isinstance(job, SetterJob):
        raise SystemExit("the first line was not a job")
    reports = os.dup(sys.stdout.fileno())
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())  # what a driver prints
    child = SetterChild(job, host_clock(), reports=reports, carried=carried)

    signal.signal(signal.SIGTERM, lambda *_: child.end())
    threading.Thread(target=child.listen, daemon=True).start()
    child.run()
    # A thread that a driver has left behind would keep it, and its lock, for ever.
    os._exit(0)


if __name__ == "__main__":
    main()
