"""The keeper's handle on one instrument process: start, hear, bound, end, restart."""

import contextlib
import os
import pickle
import signal
import struct
import subprocess
import sys
from typing import Final

from benchlog.clock import Clock, Deadline, host_deadline
from benchlog.driver import GRACE_S
from benchlog.model import EDGE, Identity, InstrumentSpec, Sample
from benchlog.recorder.instruments.instrument_messages import (
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
)
from benchlog.recorder.instruments.instrument_process import FIRST_WAIT_S
from benchlog.recorder.instruments.message_pipe import (
    PIPE_BYTES,
    Inbox,
    Outbox,
    widen,
)
from benchlog.recorder.instruments.process_limits import MEMORY_MB, Flood, resident_mb

OPEN_LIMIT_S: Final = 20.0  # our rule: slow instruments answer by then
"""Real seconds that opening and identifying may take before the process is ended."""
_PROCESS: Final = "benchlog.recorder.instruments.instrument_process"
# beyond the driver's own grace before it counts as hung; our rule
_HEARING_S: Final = 2.0
_TAIL: Final = 2_000  # our rule: the end of a traceback
_MOST_COMPLAINTS: Final = 16  # our rule: 1 MB at a turn; a writer may never stop
_LEAST_BYTES: Final = 100  # our rule: of a message; a value has 150
_DYING_S: Final = 2.0  # our rule: the system ends a process at once, or not soon


class InstrumentProcess:
    """One instrument in a process of its own.

    `state` is `starting`, `opening`, `holding`, `reading`, `failing` or `down`.
    """

    def __init__(
        self,
        spec: InstrumentSpec,
        clock: Clock,
        *,
        longest_wait_s: float = 5.0,
        sharers: int = 1,
        blocks: bool = False,
    ) -> None:
        self.spec, self.clock, self.longest_wait_s = spec, clock, longest_wait_s
        self.sharers, self.blocks = sharers, blocks
        self.unheard = self._streamed = False
        self.state = "down"
        self.identity: Identity | None = None
        self.opened: Opened | None = None
        self.latest: Sample | None = None
        self.hold = True
        self.allowed: int | None = None
        self.restart_at: Deadline | None = None
        self._wait_s = FIRST_WAIT_S
        self._deadline: Deadline | None = None
        self._complaints = b""
        self._flood = Flood()
        self.floods = False

    # --- life -------------------------------------------------------------------

    def start(self) -> None:
        """Start the process; it opens the instrument by itself.

        Raises OSError where the host has no room for it; it is tried again later.
        """
        self.restart_at = host_deadline(self.longest_wait_s)
        with contextlib.ExitStack() as unless_started, contextlib.ExitStack() as theirs:
            orders_read, orders_write = os.pipe()
            theirs.callback(os.close, orders_read)
            unless_started.callback(os.close, orders_write)
            values_read, values_write = os.pipe()
            theirs.callback(os.close, values_write)
            unless_started.callback(os.close, values_read)
            widen(values_write)
            self._process = subprocess.Popen(
                [sys.executable, "-P", "-m", _PROCESS,
                 str(orders_read), str(values_write)],
                pass_fds=(orders_read, values_write),
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.PIPE,
            )  # fmt: skip
            unless_started.pop_all()
        self._orders, self._values = Outbox(orders_write), Inbox(values_read)
        os.set_blocking(self.complaints_fd, False)
        expect = self.identity.who if self.identity else None
        wait_s = self.longest_wait_s
        job = Job(
            spec=self.spec,
            expect=expect,
            longest_wait_s=wait_s,
            hold=self.hold,
            allowed=self.allowed,
            sharers=self.sharers,
            blocks=self.blocks,
        )
        self.state, self.restart_at = "starting", None
        self._flood, self.floods = Flood(), False
        self.unheard = self._streamed = False
        self._deadline = host_deadline(OPEN_LIMIT_S)
        self._send(job)

    def fileno(self) -> int:
        """Return what to wait on for messages."""
        return self._values.fileno()

    @property
    def pid(self) -> int:
        """The process, for events and tests."""
        return self._process.pid

    def order(self, order: Order) -> None:
        """Tell the process; one that is gone is noticed elsewhere."""
        if order is not Order.STOP:
            self.hold = order is Order.HOLD
            self.allowed = 0 if self.hold else None
        self._tell(order)

    def allow(self, more: int) -> None:
        """Let it read so many values more and then hold."""
        self.allowed, self.hold = (self.allowed or 0) + more, False
        self._tell(Allow(more))

    def _tell(self, order: Order | Allow) -> None:
        if self.state == "down":
            return
        if self.state in ("holding", "reading"):
            self.state = "holding" if self.hold else "reading"
            self._expect_by_state()
        self._send(order)

    def _send(self, what: Job | Order | Allow) -> None:
        """Send what its side unpickles; one that reads no orders is overdue at once."""
        body = pickle.dumps(what)
        if not self._orders.send(struct.pack("!i", len(body)) + body):
            self._deadline = host_deadline(0.0)

    def hear(self) -> list[Message] | None:
        """Return what has come; None when it has ended, or is not sane (`foreign`)."""
        self._orders.flush()
        heard = self._values.read()
        if heard is None:
            return None
        known = [message for message in heard if self._note(message)]
        self.floods = self._flood.is_one(len(heard)) or self.floods
        return known

    @property
    def foreign(self) -> str:
        """Why nothing that it writes is believed any more; empty while it is."""
        return "" if self.state == "down" else self._values.foreign

    @property
    def excess(self) -> tuple[str, str]:
        """What it takes too much of (`leaked`, `flooded`) and in words; else empty."""
        if self.state == "down":
            return "", ""
        if self.floods:
            return "flooded", "said more than anybody could keep and was "
        megabytes = resident_mb(self.pid)
        if megabytes > MEMORY_MB:
            said = f"had grown to {megabytes:.0f} MB and was "
            return "leaked", said
        return "", ""

    def excuse(self) -> None:
        """Expect it anew from now on: nobody was there to hear it until now."""
        if self.state != "down":
            self._flood = Flood(waiting=PIPE_BYTES // _LEAST_BYTES)
            self._values.excuse()
            self._expect_by_state()

    @property
    def streams(self) -> bool:
        """Whether it runs and has sent a block since it was started."""
        return self.state != "down" and self._streamed

    def leave_unheard(self, unheard: bool) -> None:
        """Read nothing of it for a while, and expect nothing; or hear it again."""
        self.unheard = unheard
        if not unheard:
            self.excuse()

    @property
    def overdue(self) -> bool:
        """Whether it was silent for longer than promised, or stopped in a message."""
        return any(limit.passed for limit in self._limits())

    def left_s(self) -> float:
        """Real seconds until it is overdue or to be restarted."""
        return min((limit.left_s() for limit in self._limits()), default=60.0)

    def _limits(self) -> list[Deadline]:
        """Return until when something must have come of it, or it is started again."""
        if self.unheard:
            return []
        down = self.state == "down"
        limits = (self.restart_at,) if down else (self._deadline, self._values.half)
        return [limit for limit in limits if limit is not None]

    def end(self, *, rest: bool = False) -> tuple[str, list[Message]]:
        """End the process at once; return how it had ended, and its last messages.

        `rest`: what it did it will do again, so it is left down for the longest pause.
        """
        if self.state == "down":
            return "was not running", []
        self.drain_complaints()
        with contextlib.suppress(OSError):
            self._process.send_signal(signal.SIGKILL)
        try:
            code = self._process.wait(_DYING_S)
        except subprocess.TimeoutExpired:  # held in a system call, as of a USB driver
            code = -signal.SIGKILL
        last_words = [m for m in self._values.read_rest() if self._note(m)]
        for connection in (self._orders, self._values):
            connection.close()
        if self._process.stderr:
            self._process.stderr.close()
        self.state, self._deadline = "down", None
        self._wait_s = self.longest_wait_s if rest else self._wait_s
        self.restart_at = host_deadline(self._wait_s)
        self._wait_s = min(self._wait_s * 2, self.longest_wait_s)
        return self._how(code), last_words

    def finish(self, within_s: float) -> str:
        """Ask the process to close its instrument, then end it; say how it ended."""
        self.order(Order.STOP)
        with contextlib.suppress(subprocess.TimeoutExpired):
            if self.state != "down":
                self._process.wait(within_s)
        return self.end()[0]

    # --- what was heard -----------------------------------------------------------

    def _note(self, message: Message) -> bool:
        """Take in a message; False, and no more is heard, where it does not fit."""
        if not self._fits(message):
            self._values.foreign = f"{type(message).__name__} out of its order"
        if self.foreign:
            return False
        match message:
            case AboutToOpen():
                self.state = "opening"
            case Opened():
                self.opened = message
                self.identity = self.identity or message.identity
                self.state = "holding" if self.hold else "reading"
            case Got():
                self.latest = message.sample
                self._wait_s = FIRST_WAIT_S
                self._count_one()
            case GotBlock():
                self._wait_s, self._streamed = FIRST_WAIT_S, True
            case Failed():
                self.state = "reading" if message.opened else "failing"
            case Said():
                pass
        resting = isinstance(message, Failed)
        self._expect_by_state(self.longest_wait_s if resting else 0.0)
        return True

    def _fits(self, message: Message) -> bool:
        """Whether it is of the unit promised, and pulses come from where they may."""
        match message:
            case Got():
                return self.opened is not None and (
                    message.sample.unit == self.opened.unit
                )
            case GotBlock():
                return (
                    self.blocks
                    and self.opened is not None
                    and (message.block.unit == self.opened.unit)
                )
            case Opened():
                pulses = (message.unit == EDGE, message.quantity == EDGE)
                known = (self.spec.quantity == EDGE,) if self.spec.quantity else ()
                return len({*pulses, *known}) == 1
        return True

    def _count_one(self) -> None:
        """Count a value against what is allowed; after the last one it holds."""
        if self.allowed is not None:
            self.allowed = max(0, self.allowed - 1)
            self.hold = self.allowed == 0
            if self.hold and self.state == "reading":
                self.state = "holding"

    def _expect_by_state(self, rest_s: float = 0.0) -> None:
        if self.state == "holding":
            self._deadline = None
        elif self.state == "reading" and self.opened is not None:
            bench_s = self.opened.read_limit_s + self.opened.period_s
            grace_s = GRACE_S + _HEARING_S + rest_s
            self._deadline = self.clock.deadline(bench_s, grace_s)
        elif self.state == "failing":
            self._deadline = host_deadline(rest_s + OPEN_LIMIT_S)
        else:
            self._deadline = host_deadline(OPEN_LIMIT_S)

    @property
    def complaints_fd(self) -> int:
        """Its standard error, to wait on and to drain."""
        stream = self._process.stderr
        if stream is None:
            raise RuntimeError("an instrument process without its standard error")
        return stream.fileno()

    def drain_complaints(self) -> bool:
        """Take what it wrote to standard error; False when it can write no more."""
        with contextlib.suppress(BlockingIOError):
            for _ in range(_MOST_COMPLAINTS):
                part = os.read(self.complaints_fd, 65_536)
                if not part:
                    return False
                self._complaints = (self._complaints + part)[-_TAIL:]
        return True

    def _how(self, code: int) -> str:
        self_said = self._complaints.decode(errors="replace").strip().splitlines()
        self._complaints = b""
        last = f" ({self_said[-1]})" if self_said else ""
        if code < 0:
            return f"ended by {_signal_name(-code)}{last}"
        return f"ended with code {code}{last}"


def _signal_name(number: int) -> str:
    try:
        return signal.Signals(number).name
    except ValueError:  # a real-time signal
        return f"signal {number}"
