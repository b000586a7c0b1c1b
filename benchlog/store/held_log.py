"""Keeps SQLite from moving a log into its database when the last connection closes.

What a log holds that was overwritten would be written over sound pages then, and there
is no way round it from Python 3.11's module: the last connection moves the log. It
needs the database for itself for that, so a lock that others only share prevents it.
The lock belongs to an open file (`F_OFD_SETLK`, Linux), not to the process, so that it
keeps off our own connection, too.
"""

import contextlib
import os
import struct
import sys
from typing import Final

_SHARED: Final = 0x4000_0002, 510
"""First octet and length of what readers lock; SQLite's file format, `os.h`."""


def hold_log(handle: int) -> None:
    """Let no connection move its log into the database that a bare handle leads to.

    It stays so until this process ends: closing the file would take away the locks of
    other connections. Where the system has no such lock nothing is held.
    """
    if handle < 0 or sys.platform != "linux":
        return
    import fcntl  # noqa: PLC0415 - POSIX only

    start, length = _SHARED
    lock = struct.pack("hhqqi", fcntl.F_RDLCK, os.SEEK_SET, start, length, 0)
    with contextlib.suppress(OSError):
        again = os.open(f"/proc/self/fd/{handle}", os.O_RDONLY | os.O_CLOEXEC)
        fcntl.fcntl(again, fcntl.F_OFD_SETLK, lock)
