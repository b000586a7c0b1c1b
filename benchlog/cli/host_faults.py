"""What the computer refuses, as a sentence with what to do next.

Rooms that know more of a fault raise errors of their own; this is for the rest, so that
"something unexpected" is left for our mistakes.
"""

import errno
import os
import re
from collections.abc import Iterable
from pathlib import Path
from typing import Final

from benchlog.masking import masked

_RIGHTS: Final = "check its rights and those of its folder, or name another place"
_ROOM: Final = "there is no room (disk full, quota or file size limit); free some space"
_SENTENCES: Final = {
    errno.EACCES: f"you have no right to it: {_RIGHTS}",
    errno.EPERM: f"you have no right to it: {_RIGHTS}",
    errno.EROFS: "its file system is read-only; name another place",
    errno.ENOENT: "its folder is not there and cannot be made; name another place",
    errno.ENOTDIR: "a file is where a folder must be; name another place",
    errno.EISDIR: "it is a folder; name a file",
    errno.EEXIST: "something else has this name; name another place",
    errno.ENAMETOOLONG: "the name is too long; give a shorter one",
    errno.ENOSPC: _ROOM,
    errno.EDQUOT: _ROOM,
    errno.EFBIG: _ROOM,
    errno.EMFILE: "too many files are open; raise the limit with `ulimit -n 1024`",
    errno.ENFILE: "too many files are open on this computer; end other programs",
    errno.EIO: "the disk or its connection fails; look at the computer's log",
    errno.ESTALE: "the network share is gone; mount it again",
    errno.ENOMEM: "there is no memory left; end other programs",
    errno.ETXTBSY: "another program uses it; end that first",
    errno.EBUSY: "another program uses it; end that first",
}
_HOME: Final = (
    "this user has no home directory; set HOME, or XDG_DATA_HOME, XDG_CONFIG_HOME and "
    "XDG_STATE_HOME, to folders that you may write"
)
_LEAST_MB: Final = 256
"""Megabytes of address space that a command needs; our rule: numpy alone takes 150."""
_MEMORY: Final = (
    "end other programs, or raise the limit of this shell (`ulimit -v unlimited`)"
)
_SCHEME: Final = r"([A-Za-z][A-Za-z0-9+.-]+):(?:[/\\]|$)"


def sentence_of(error: Exception) -> str:
    """Return what a fault of the computer means and what to do; empty for a bug."""
    if isinstance(error, RuntimeError) and "home directory" in str(error):
        return _HOME
    if isinstance(error, MemoryError):
        return f"there is not enough memory: {_MEMORY}"
    if not isinstance(error, OSError):
        return ""
    remedy = _SENTENCES.get(error.errno or 0, "")
    if not remedy:
        return ""
    where = error.filename if isinstance(error.filename, str | os.PathLike) else None
    if where is None:
        return f"a file cannot be written or opened: {remedy}"
    return f"{os.fspath(where)} cannot be used: {remedy}"


def memory_fault() -> str:
    """Return what to do where this process may take too little memory, else empty.

    The libraries that need it do not raise an error: they end the process.
    """
    try:
        import resource
    except ImportError:  # not a POSIX system
        return ""
    most, _ = resource.getrlimit(resource.RLIMIT_AS)
    if most == resource.RLIM_INFINITY or most >= _LEAST_MB * 2**20:
        return ""
    said = f"{most / 2**20:,.0f} MB of memory are allowed, and {_LEAST_MB} are needed"
    return f"{said}: {_MEMORY}"


def address_fault(values: Iterable[object]) -> str:
    """Return what is wrong where a path is an address such as `s3://...`, else empty.

    A path that exists under such a name is a path.
    """
    for path in (one for one in values if isinstance(one, Path)):
        found = re.match(_SCHEME, str(path))
        if found and not path.exists():
            # a path has lost one of the two slashes by which an address is known
            address = str(path).replace(":/", "://", 1)
            return (
                f"{masked(address)} is an address ({found[1]}:), not a file of this "
                "computer; name a file, and copy it there with the tools of that "
                "service"
            )
    return ""
