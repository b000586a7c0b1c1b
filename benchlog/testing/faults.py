"""How instruments misbehave, and the errors that a driver must make of it.

A fault turns a good answer into steps: bytes are sent, a number is waited for in
seconds, None closes the connection.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from benchlog.errors import (
    GarbledError,
    InstrumentError,
    LostError,
    NoSignalError,
    OutOfStepError,
    OverloadError,
    SilentError,
)

Steps = tuple[bytes | float | None, ...]
LATE_S: Final = 0.9
"""Seconds that a late answer takes; longer than a gate of 20 ms and a hurried grace."""
LATE_LINE: Final = b"+4.44000000E+02\n"
"""What comes late: a good number that nobody may take for the present one."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One way to misbehave.

    Parameters
    ----------
    name : str
        What a test is called after.
    steps : callable
        From the good answer, with its terminator, to what happens instead.
    raises : tuple of error classes
        What `read` must raise, one of them.

    """

    name: str
    steps: Callable[[bytes], Steps]
    raises: tuple[type[InstrumentError], ...]


def replies(line: bytes, *raises: type[InstrumentError]) -> Fault:
    """Return the fault of answering with `line`, whatever it is."""
    return Fault(repr(line[:40]), lambda _: (line,), raises or (GarbledError,))


SILENT: Final = Fault("silent", lambda _: (2 * LATE_S,), (SilentError,))
LATE: Final = Fault("late", lambda _: (LATE_S, LATE_LINE), (SilentError,))
HALF: Final = Fault(
    "half", lambda good: (good[: len(good) // 2], 2 * LATE_S), (SilentError,)
)
HALF_THEN_NEXT: Final = Fault(
    "half, then the next", lambda good: (good[: len(good) // 2], 0.3), (GarbledError,)
)
"""Without a terminator between them: together they look like one good number."""
HALF_THEN_CLOSED: Final = Fault(
    "half, then closed", lambda good: (good[: len(good) // 2], None), (LostError,)
)
CLOSED: Final = Fault("closed", lambda _: (None,), (LostError,))
TWO_LINES: Final = Fault(
    "two lines", lambda good: (good + LATE_LINE,), (OutOfStepError,)
)
EMPTY: Final = replies(b"\n")
GARBAGE: Final = replies(b"\xff\x00\x9b31m\x80rubbish\n")
NOT_A_NUMBER: Final = replies(b"+9.91000000E+37\n", NoSignalError)
INFINITY: Final = replies(b"+9.90000000E+37\n", OverloadError)
MINUS_INFINITY: Final = replies(b"-9.90000000E+37\n", OverloadError)

ASKED_FAULTS: Final = (
    SILENT,
    LATE,
    HALF,
    HALF_THEN_CLOSED,
    CLOSED,
    TWO_LINES,
    EMPTY,
    GARBAGE,
    NOT_A_NUMBER,
    INFINITY,
    MINUS_INFINITY,
)
"""What an instrument that is asked may do."""
TALKING_FAULTS: Final = (
    SILENT,
    HALF,
    HALF_THEN_NEXT,
    HALF_THEN_CLOSED,
    CLOSED,
    EMPTY,
    GARBAGE,
    NOT_A_NUMBER,
    INFINITY,
    MINUS_INFINITY,
)
"""What an instrument that talks by itself may do: nothing of it can be late."""
UNCODED_FAULTS: Final = tuple(
    fault
    for fault in TALKING_FAULTS
    if fault not in (NOT_A_NUMBER, INFINITY, MINUS_INFINITY)
)
"""As `TALKING_FAULTS`, where lines have no codes for "no value": in a line of another
form than a decimal number such a code is a malformed line like any other."""

MALFORMED: Final = (
    b"nan\n",
    b"NaN\n",
    b"inf\n",
    b"-Infinity\n",
    b"1e999\n",
    b"1_000\n",
    b"0x1F\n",
    b"1,5E7\n",
    b"1.5E7,1.6E7\n",
    b"1.5E7 1.6E7\n",
    b"1.5E\n",
    b"1.5E+\n",
    b"1.5 E7\n",
    b"1..5\n",
    b"--1.5\n",
    b".\n",
    b"E7\n",
    b"1.5E7\x00\n",
    b"\x001.5E7\n",
    b"1.5E7\xff\n",
    b"\xef\xbb\xbf1.5E7\n",
    "١٦٠٠٠٠٠٠\n".encode(),
    "１６\n".encode(),
    b'-113,"Undefined header"\n',
    b"MAKER,MODEL,7,1.0\n",
    b"  \n",
    b"1" * 400 + b"\n",
    b"9" * 70_000 + b"\n",
)
"""Lines that hold no number; none of them may become a Sample."""
