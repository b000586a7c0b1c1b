"""A database that can be reached under two names, each with a log of its own beside it.

SQLite finds the log by the name: two programs that write under two names know nothing
of each other, and each writes over the other's pages.
"""

import os
from pathlib import Path
from typing import Final

from benchlog.errors import StoreError

_MOUNTS: Final = Path("/proc/self/mountinfo")  # Linux, proc(5)
_WHERE: Final = 4  # proc(5): the fifth field is where it is mounted


def refuse_second_name(path: Path) -> None:
    """Refuse to write a file that has two names.

    A copy by hard links leaves one so, and so does a container that is given the file
    alone. Raises StoreError.
    """
    if has_hard_link(path):
        raise StoreError(
            f"{path} has a second name (a hard link), under which another program may "
            f"write it, too: `find FOLDER -samefile {path}` finds it. End all keepers "
            "of both, then remove one; `benchlog backup` makes a copy"
        )
    if is_mounted_alone(path):
        raise StoreError(
            f"{path} is a file mounted by itself, as into a container, and its log "
            "would not be beside the file itself: who writes that under its own name "
            "would write over these rows. Mount its folder instead"
        )


def has_second_name(path: Path) -> bool:
    """Whether the log beside `path` may not be the only one that the file has."""
    return has_hard_link(path) or is_mounted_alone(path)


def may_be_written_elsewhere(path: Path) -> bool:
    """Whether a program may have rows of the file in a log beside another name.

    Who has the file open under this one has an index of the log beside it.
    """
    beside = path.with_name(f"{path.name}-shm")
    return has_second_name(path) and not beside.exists()


def has_hard_link(path: Path) -> bool:
    """Whether there is a hard link to the file."""
    try:
        return path.stat().st_nlink > 1
    except OSError:
        return False


def is_of_another(path: Path, beside: Path) -> bool:
    """Whether a file beside a database has a second name where the database has none.

    A copy of a folder by hard links leaves both with two. The file is not opened: to
    close it would drop the locks that this process has on the index of a log.
    """
    try:
        return beside.stat().st_nlink > 1 and path.stat().st_nlink == 1
    except OSError:
        return False


def is_mounted_alone(path: Path) -> bool:
    """Whether the file, and not a folder, is mounted here; Linux alone tells."""
    try:
        lines = _MOUNTS.read_bytes().splitlines()
    except OSError:
        return False
    real = os.fsencode(os.path.realpath(path))
    return any(_unescaped(line.split()[_WHERE]) == real for line in lines)


def _unescaped(field: bytes) -> bytes:
    """Return a field of mountinfo as it is: blanks are written as octal escapes."""
    if b"\\" not in field:
        return field
    return field.decode("unicode_escape").encode("latin-1")
