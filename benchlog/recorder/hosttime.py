"""How far off the operating system thinks its clock is (Linux: adjtimex)."""

import ctypes
import sys
from typing import Final

_MICROSECOND: Final = 1e-6
_UNSYNCHRONISED: Final = 0x0040  # STA_UNSYNC of linux/timex.h
_FAILED: Final = -1


class _Timex(ctypes.Structure):
    """The head of `struct timex` (linux/timex.h), and room for the rest of it."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_char * 512),
    )


def host_error_s() -> float | None:
    """Return the error that the system ascribes to its clock, in s; None if unknown.

    Its estimate where the program that sets the clock gives one, else its maximum; None
    where the clock is not synchronised, and on systems that do not tell.
    """
    if sys.platform != "linux":
        return None
    found = _Timex()  # modes 0: only asks
    try:
        state = ctypes.CDLL(None).adjtimex(ctypes.byref(found))
    except (OSError, AttributeError):
        return None
    if state == _FAILED or found.status & _UNSYNCHRONISED:
        return None
    microseconds = found.esterror if found.esterror > 0 else found.maxerror
    return float(microseconds) * _MICROSECOND if microseconds > 0 else None
