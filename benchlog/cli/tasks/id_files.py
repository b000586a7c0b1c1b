"""A file of ids that a person names: plain, or a pipe that somebody writes to."""

import os
import stat
from pathlib import Path
from typing import Final

from benchlog.errors import UsageError

_AT_ONCE: Final = getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_NOCTTY", 0)
"""To open a pipe would wait for somebody to write to it; a terminal would be taken."""


def octets_of(path: Path, most: int) -> bytes:
    """Return what a file holds, or what a pipe's writers write until they end.

    Raises UsageError where it cannot be read, is a device or a pipe that nobody has
    open to write, or is longer than `most` octets.
    """
    try:
        fd = os.open(path, os.O_RDONLY | getattr(os, "O_CLOEXEC", 0) | _AT_ONCE)
        with os.fdopen(fd, "rb") as stream:
            kind = os.fstat(fd).st_mode
            if not (stat.S_ISREG(kind) or stat.S_ISFIFO(kind)):
                raise UsageError(
                    f"{path} is no file of ids but a folder, a device or a socket; "
                    "`-` reads standard input"
                )
            os.set_blocking(fd, True)
            octets = stream.read(most + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "its name is no path"
        raise UsageError(f"{path} cannot be read: {reason}") from error
    if stat.S_ISFIFO(kind) and not octets:
        raise UsageError(f"{path} is a pipe that nobody writes to; name a file")
    if len(octets) > most:
        raise UsageError(
            f"{path} is longer than {most:,} bytes: is it a list of ids? A longer one "
            "is read from standard input, with `-`"
        )
    return octets
