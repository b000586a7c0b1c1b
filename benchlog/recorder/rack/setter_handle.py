"""The keeper's handle on one setter process: order, hear, see that it is there."""

import base64
import contextlib
import json
import math
import os
import pickle
import signal
import subprocess
import sys
from dataclasses import dataclass, replace
from typing import Final

from benchlog.clock import Deadline, host_deadline
from benchlog.errors import BusyError, InUseError, WrongInstrumentError
from benchlog.model import Identity
from benchlog.recorder.bench_lock import BenchLocks
from benchlog.recorder.rack.setter_hold import HoldGiver
from benchlog.recorder.rack.setter_job import LEAVING_MIN, SetterJob, as_told

_PROCESS: Final = "benchlog.recorder.rack.setter_process"
_ALIVE_S: Final = 1.0  # our rule: a fifth of the dead man's usual patience
_RESTART_S: Final = 2.0  # our rule
_MOST: Final = 1 << 20  # our rule: bounds what a process says
_MUTE_S: Final = 40.0  # our rule: a live one tells something every 10 s
"""Real seconds without a word after which a process is ended and started anew."""
_MOST_AT_ONCE: Final = 1_000  # our rule: reports between two looks; ours are a few
_FAREWELL_S: Final = 8.0
"""Real seconds in which it has let go and ended, or is left to it; our rule."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SetterReport:
    """What a setter's process reports.

    `kind` is `met`, `opened`, `done`, `refused`, `state`, `released`, `fault`,
    `farewell` or `ended`.
    """

    kind: str
    number: int = 0
    text: str = ""
    ordered: float | None = None
    read_back: float | None = None
    value: float | None = None
    utc_ns: int = 0
    mono_ns: int = 0
    released: bool = False
    simulated: bool = False
    switches: bool = False
    who: tuple[str, str, str] = ("", "", "")
    error: str = ""
    """Of a fault of the instrument: its kind, as in `errors.py`."""

    @property
    def identity(self) -> Identity:
        """Who answered, of the kinds `met` and `opened`."""
        maker, model, serial = self.who
        return Identity(self.text, maker, model, serial, simulated=self.simulated)


KINDS: Final = frozenset(
    {"met", "opened", "done", "refused", "state", "released", "fault", "farewell"}
)


class SetterHandle:
    """One setter in a process of its own; started again when it ends."""

    def __init__(self, job: SetterJob, locks: BenchLocks | None = None) -> None:
        """`locks`: what the keeper holds; the setter's process holds its own on."""
        self.job, self._hold = job, HoldGiver(job.spec, locks)
        self.name = job.spec.name
        self.opened = False
        self.switches = False
        self.latest: SetterReport | None = None
        self._fault = SetterReport(kind="")
        self._number = 0
        self._expect, self._granted = job.expect, job.granted
        self._process: subprocess.Popen[bytes] | None = None
        self._arrived = b""
        self._alive = host_deadline(0.0)
        self._restart: Deadline | None = None
        self._mute = host_deadline(_MUTE_S)

    def start(self) -> None:
        """Start the process; it opens the setter by itself."""
        with self._hold.opened() as there:
            asks = there.fileno()
            self._process = subprocess.Popen(
                [sys.executable, "-P", "-m", _PROCESS],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                start_new_session=True,
                pass_fds=(*self._hold.inherited(), asks),
            )
        self._arrived, self._restart, self.opened = b"", None, False
        self._mute = host_deadline(_MUTE_S)
        os.set_blocking(self.fileno(), False)
        job = replace(
            self.job,
            held=self._number > 0,
            expect=self._expect,
            asks=asks,
            granted=self._granted,
        )
        self._write(base64.b64encode(pickle.dumps(job)))

    def fileno(self) -> int:
        """Return what to wait on for reports."""
        assert self._process is not None
        assert self._process.stdout is not None
        return self._process.stdout.fileno()

    @property
    def pid(self) -> int:
        """The process, for events and tests."""
        return 0 if self._process is None else self._process.pid

    @property
    def running(self) -> bool:
        """Whether there is a process that can be heard."""
        return self._process is not None

    def set(self, value: float) -> int:
        """DriveOrder a value; return the order's number, which its report carries."""
        return self._order({"do": "set", "value": value})

    def switch(self, on: bool) -> int:
        """DriveOrder its output on or off; return the order's number."""
        return self._order({"do": "switch", "on": on})

    def release(self) -> int:
        """DriveOrder the safe state, of a new process if need be; return the number."""
        if self._process is None and self._number:
            with contextlib.suppress(OSError):  # it is tried again at the end
                self.start()
        return self._order({"do": "release"})

    def check(self) -> int:
        """Ask what it is set to; return the number, which the report carries."""
        return self._order({"do": "check"})

    def tend(self) -> list[SetterReport]:
        """Say that we are there; start again a process that has ended."""
        if self._process is None:
            if self._restart is not None and self._restart.passed:
                self.start()
                return [SetterReport(kind="fault", text="its process is started again")]
            return []
        if self._mute.passed:
            self._process.kill()  # its pipe ends then, and that is heard
            self._mute = host_deadline(_MUTE_S)
            return [SetterReport(kind="fault", text="it said nothing and is ended")]
        if self._alive.passed:
            self._alive = host_deadline(_ALIVE_S)
            self._write(b'{"do": "alive"}')
        return []

    def hear(self) -> list[SetterReport]:
        """Return what has come; an end of the process is a report of kind `ended`."""
        try:
            more = os.read(self.fileno(), 1 << 16)
        except BlockingIOError:
            return []
        except OSError:
            more = b""
        if not more:
            return [self._ended()]
        self._arrived += more
        *lines, self._arrived = self._arrived.split(b"\n")
        if len(self._arrived) > _MOST or len(lines) > _MOST_AT_ONCE:
            return [self._ended()]
        self._mute = host_deadline(_MUTE_S)
        reports = [_report(line) for line in lines]
        for report in reports:
            if report.kind == "met":
                self._hold.answer(report.identity, report.number)
            elif report.kind == "fault":
                self._fault = report
            elif report.kind == "opened":
                self.opened, self.switches = True, report.switches
                self._granted = True
                self._expect = self._expect or report.text
            elif report.kind == "state":
                self.latest = report
        return [report for report in reports if report.kind != "met"]

    def expect(self, who: str) -> None:
        """Let nobody else be given orders; before it is started."""
        self._expect = who

    def require_right(self) -> None:
        """Raise BusyError where another keeper uses the instrument.

        Raises WrongInstrumentError where another one than expected has answered.
        """
        said = f"setter {self.name!r}: {self._fault.text}"
        if self.opened:
            return
        if self._fault.error == InUseError.kind:
            raise BusyError(said)
        if self._fault.error == WrongInstrumentError.kind:
            raise WrongInstrumentError(said, address=self.job.spec.address)

    def finish(self) -> str:
        """Let it go, wait until it has, and end the process.

        Returns why it is not certain that it let go, nothing when it is.
        """
        died, why = self._finish_process()
        why = self._finish_process()[1] if died else why
        self._hold.close()
        return why

    def _finish_process(self) -> tuple[bool, str]:
        """Do that; return whether it died without a word after orders, and why."""
        if self._process is None and self._number:  # it had just ended
            try:
                self.start()
            except OSError as error:
                return False, f"its process cannot be started ({error})"
        process, self._process = self._process, None
        if process is None:
            return False, ""
        with contextlib.suppress(OSError):
            # one that was stopped lets go of nothing
            process.send_signal(signal.SIGCONT)
            assert process.stdin is not None
            process.stdin.close()  # it lets go when nobody speaks to it
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(_FAREWELL_S)
        assert process.stdout is not None
        with process.stdout:
            why = _farewell(self._arrived + _rest(process.stdout.fileno()))
        if process.poll() is None and not why:  # it has let go, and is in the way
            process.kill()
            process.wait()
        if process.poll() is None:
            why += f"; process {process.pid} goes on trying for {LEAVING_MIN} minutes"
            process.returncode = 0  # it is left on its own, as it is without a keeper
            return False, why
        return bool(why and self._number), why

    def _ended(self) -> SetterReport:
        """Forget the process; it is started again soon."""
        process, self._process = self._process, None
        self.opened, self._restart = False, host_deadline(_RESTART_S)
        how = ""
        if process is not None:
            process.kill()
            how = f" (status {process.wait()})"
            for pipe in (process.stdin, process.stdout):
                if pipe is not None:
                    with contextlib.suppress(OSError):
                        pipe.close()
        return SetterReport(kind="ended", text=f"its process ended{how}")

    def _order(self, order: dict[str, object]) -> int:
        self._number += 1
        self._write(json.dumps({**order, "number": self._number}).encode())
        return self._number

    def _write(self, line: bytes) -> None:
        """Send a line; a process that is gone is noticed elsewhere."""
        if self._process is None or self._process.stdin is None:
            return
        with contextlib.suppress(OSError, ValueError):
            self._process.stdin.write(line + b"\n")
            self._process.stdin.flush()


def _rest(pipe: int) -> bytes:
    """Return what waits in a pipe whose writer has ended; as much as a pipe holds."""
    found = b""
    with contextlib.suppress(OSError):  # a process of a driver's may hold it open
        while len(found) <= _MOST and (more := os.read(pipe, 1 << 16)):
            found += more
    return found


def _farewell(said: bytes) -> str:
    """Return what speaks against its having let go, from its last words."""
    reports = [_report(line) for line in said.split(b"\n") if line]
    last = reports[-1] if reports else None
    if last is not None and last.kind == "farewell" and last.released:
        return ""
    faults = [one.text for one in reports if one.kind == "fault"]
    return faults[-1] if faults else "its process did not end by itself"


def _report(line: bytes) -> SetterReport:
    """Read a report, field by field; what is none is a fault of its own."""
    try:
        told = json.loads(line)
        if not isinstance(told, dict) or told.get("kind") not in KINDS:
            raise ValueError("no report")
        return SetterReport(
            kind=told["kind"],
            number=_whole(told.get("number", 0)),
            text=as_told(str(told.get("text", ""))),
            ordered=_number(told.get("ordered")),
            read_back=_number(told.get("read_back")),
            value=_number(told.get("value")),
            utc_ns=_whole(told.get("utc_ns", 0)),
            mono_ns=_whole(told.get("mono_ns", 0)),
            released=told.get("released") is True,
            simulated=told.get("simulated") is True,
            switches=told.get("switches") is True,
            who=_who(told.get("who", ("", "", ""))),
            error=as_told(str(told.get("error", ""))),
        )
    except (ValueError, OverflowError, RecursionError):
        return SetterReport(kind="fault", text="it reported what nobody can read")


def _who(value: object) -> tuple[str, str, str]:
    if not isinstance(value, list | tuple):
        raise ValueError("nobody")
    maker, model, serial = value
    return as_told(str(maker)), as_told(str(model)), as_told(str(serial))


def _number(value: object) -> float | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError("no number")
    if not math.isfinite(value):
        raise ValueError("no finite number")
    return float(value)


def _whole(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or abs(value) >= 2**63:
        raise ValueError("no whole number")
    return value
