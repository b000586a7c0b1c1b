"""Misbehaviour on command: which faults wait, and what they do to an answer.

A fault is ordered for a number of answers (one, unless said otherwise) or for good,
until `ok`. Times are real seconds: a line that is late is late for the host, whatever
the bench's clock is scaled to.
"""

import random
import threading
from dataclasses import dataclass, replace
from typing import Final

from benchlog.errors import UsageError
from benchlog.simulate.served_log import ServedValue

ALWAYS: Final = -1  # definition: a count that never ends

LATE = "late"
HALF = "half"
GARBAGE = "garbage"
SILENT = "silent"
TWO = "two"
DROP_NEXT = "cut"
NO_SIGNAL = "no-signal"
OVERLOAD = "overload"
FACTOR = "factor"
REFUSE_GATE = "refuse-gate"
IDENTITY = "identity"

# definition: of the control port's orders
NEEDS: Final[dict[str, int]] = {
    LATE: 1,
    HALF: 0,
    GARBAGE: 0,
    SILENT: 0,
    TWO: 0,
    DROP_NEXT: 0,
    NO_SIGNAL: 0,
    OVERLOAD: 0,
    FACTOR: 1,
    REFUSE_GATE: 0,
    IDENTITY: 1,
}
"""Faults of an answer and how many arguments each needs."""


@dataclass(frozen=True, slots=True)
class OrderedFault:
    """One ordered fault; `times` answers are still to suffer it."""

    kind: str
    argument: str = ""
    times: int = 1

    @property
    def number(self) -> float:
        """The argument as a number, 0 where there is none."""
        return float(self.argument or "0")


@dataclass(frozen=True, slots=True, kw_only=True)
class LineReply:
    """What goes to the line for one answer.

    `complete` False: no terminator, and no END on transports that mark it. `cut`: the
    connection is closed after `data`.
    """

    data: bytes
    complete: bool = True
    delay_s: float = 0.0
    cut: bool = False
    served: tuple[ServedValue, ...] = ()


class Faults:
    """The faults that wait at one instrument. Any thread may order or take them."""

    def __init__(self, seed: str) -> None:
        self._waiting: dict[str, OrderedFault] = {}
        self._lock = threading.Lock()
        self._rng = random.Random(seed)  # noqa: S311 - which garbage, no secret

    def order(self, kind: str, argument: str = "", times: int = 1) -> None:
        """Let the next `times` answers suffer a fault. Raises UsageError."""
        if kind not in NEEDS:
            raise UsageError(f"no fault {kind!r}; there are {', '.join(NEEDS)}")
        if NEEDS[kind] and not argument:
            raise UsageError(f"fault {kind!r} needs an argument")
        fault = OrderedFault(kind, argument, times)
        if kind in (LATE, FACTOR):
            _ = _finite(fault)
        with self._lock:
            self._waiting[kind] = fault

    def clear(self) -> None:
        """Behave again."""
        with self._lock:
            self._waiting.clear()

    def waiting(self) -> tuple[OrderedFault, ...]:
        """Return what is still to come."""
        with self._lock:
            return tuple(self._waiting.values())

    def use_up(self, kind: str) -> OrderedFault | None:
        """Return the fault if one of this kind waits, and count it down."""
        if kind not in self._waiting:
            return None
        with self._lock:
            fault = self._waiting.get(kind)
            if fault is None:
                return None
            if fault.times == 1:
                del self._waiting[kind]
            elif fault.times != ALWAYS:
                self._waiting[kind] = replace(fault, times=fault.times - 1)
            return fault

    def shape(self, reply: LineReply, terminator: bytes) -> tuple[LineReply, ...]:
        """Do to a sound reply what has been ordered; empty when silent."""
        if not self._waiting:
            return (reply,)
        if self.use_up(SILENT):
            return ()
        if late := self.use_up(LATE):
            reply = replace(_spoilt(reply, LATE), delay_s=late.number)
        if self.use_up(HALF):
            body = reply.data.removesuffix(terminator)
            half = body[: max(1, len(body) // 2)]
            reply = replace(_spoilt(reply, HALF), data=half, complete=False)
        if self.use_up(GARBAGE):
            data = self._garbage(len(reply.data)) + terminator
            reply = replace(_spoilt(reply, GARBAGE), data=data)
        if self.use_up(DROP_NEXT):
            half = reply.data[: len(reply.data) // 2]
            reply = replace(
                _spoilt(reply, DROP_NEXT), data=half, complete=False, cut=True
            )
        if self.use_up(TWO):
            return (reply, replace(_spoilt(reply, TWO), delay_s=0.0))
        return (reply,)

    def _garbage(self, length: int) -> bytes:
        """Return bytes of a line at the wrong speed: anything but a line break."""
        wanted = [b for b in range(256) if b not in b"\r\n"]
        noise = bytes(self._rng.choice(wanted) for _ in range(max(3, length - 1)))
        return b"\xfe" + noise[1:]


def _spoilt(reply: LineReply, fault: str) -> LineReply:
    return replace(reply, served=tuple(replace(s, fault=fault) for s in reply.served))


def _finite(fault: OrderedFault) -> float:
    try:
        number = fault.number
    except ValueError:
        number = float("nan")
    if not 0 <= number < 1e6:
        raise UsageError(f"{fault.kind} {fault.argument!r}: not a number from 0 to 1e6")
    return number
