"""Who writes to a dataset in an object store: a mark that its writer keeps fresh.

A store has no locks. A writer puts a mark, and looks for those of others afterwards: of
two at once at least one sees the other. Who sees another takes his own mark away, and
tries again a little later. A mark that was not refreshed for some time is of a writer
that is gone, and is removed; that of a process of this computer that is no more is
removed at once. Ages are told by the store's clock alone.
"""

import hashlib
import os
import random
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final, Protocol
from uuid import uuid4

from benchlog.clock import host_clock
from benchlog.errors import BenchlogError
from benchlog.exchange.dataset.folders import EVERYBODY

_MARKS: Final = ".writers"
_FRESH_S: Final = 5.0
"""Our rule: how often a mark is refreshed; one of six may come too late."""
_GONE_S: Final = 30.0
"""Our rule: a mark that is older is of a writer that was killed or cut off."""
_WAIT_S: Final = 60.0
_NS_PER_S: Final = 10**9


class MarkedFolder(Protocol):
    """What a mark needs of a folder in a store."""

    shown: str

    def changed_utc_ns(self, under: str = "") -> dict[str, int]:
        """Return all files below a folder, and when the store got each."""
        ...

    def has(self, name: str) -> bool:
        """Whether there is a file of that name."""
        ...

    def send(self, name: str, data: bytes) -> None:
        """Send an object, whoever holds the dataset."""
        ...

    def remove(self, name: str) -> None:
        """Remove a file, if it is there."""
        ...

    def forget(self, name: str) -> None:
        """Remove an object if the store answers."""
        ...


@contextmanager
def held(folder: MarkedFolder, scope: str) -> Iterator[str]:
    """Hold a scope of a dataset; gives the name of the mark.

    Raises BenchlogError when somebody else has it for longer than a minute.
    """
    mark = _entered(folder, scope)
    done = threading.Event()
    fresh = threading.Thread(target=_refresh, args=(folder, mark, done), daemon=True)
    fresh.start()
    try:
        yield mark
    finally:
        done.set()
        fresh.join()
        folder.forget(mark)  # it grows old by itself


def _entered(folder: MarkedFolder, scope: str) -> str:
    mark = f"{_MARKS}/{scope}.{_host()}.{os.getpid()}.{uuid4().hex}"
    deadline = host_clock().deadline(0.0, grace_s=_WAIT_S)
    while True:
        folder.send(mark, b"")
        if not _others(folder, mark, scope):
            return mark
        folder.remove(mark)
        if deadline.passed:
            raise BenchlogError(
                f"another export is writing to {folder.shown}; try again when it is "
                "done"
            )
        # two that look at the same time part by chance
        threading.Event().wait(random.uniform(0.2, 1.0))  # noqa: S311


def _others(folder: MarkedFolder, mark: str, scope: str) -> list[str]:
    """Return the marks of others in a scope; removes those that nobody keeps."""
    marks = folder.changed_utc_ns(_MARKS)
    now_ns = marks.pop(mark, 0)
    found = []
    for name, at_ns in marks.items():
        theirs = _scope_of(name)
        if EVERYBODY not in (scope, theirs) and theirs != scope:
            continue
        if now_ns - at_ns > _GONE_S * _NS_PER_S or _is_dead(name):
            folder.remove(name)
        else:
            found.append(name)
    return found


def _refresh(folder: MarkedFolder, mark: str, done: threading.Event) -> None:
    """Keep a mark fresh until `done`; one that was taken away stays away."""
    while not done.wait(_FRESH_S):
        with suppress(BenchlogError):  # the next time; whoever writes tells it anyway
            if not folder.has(mark):
                return
            folder.send(mark, b"")


def _scope_of(name: str) -> str:
    return name.removeprefix(f"{_MARKS}/").partition(".")[0]


def _is_dead(name: str) -> bool:
    """Whether a mark is of a process of this computer that is no more."""
    words = name.split(".")
    if words[-3:-2] != [_host()] or not words[-2].isdecimal():
        return False
    try:
        os.kill(int(words[-2]), 0)
    except ProcessLookupError:
        return True
    except (OSError, OverflowError):
        return False
    return False


def _host() -> str:
    """Return what tells this start of this computer, and who shares its processes."""
    told = []
    with suppress(OSError):
        told.append(Path("/proc/sys/kernel/random/boot_id").read_text("ascii"))
        told.append(str(Path("/proc/self/ns/pid").readlink()))
    if len(told) < 2:
        return uuid4().hex[:12]
    return hashlib.sha256("".join(told).encode()).hexdigest()[:12]
