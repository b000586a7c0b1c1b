"""A bound on the memory that a library takes which reads what a stranger gives."""

import os
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

from benchlog.exchange.arrow import arrow
from benchlog.process_memory import process_memory

_LOOK_S: Final = 0.1  # our rule: a server in the house sends 100 MB in that time
_SLACK: Final = 2**28
"""Address space that is taken without being used: heaps of threads, files mapped."""


@contextmanager
def memory_for_more(octets: int) -> Iterator[None]:
    """Let this process take so much more memory in here, then raise MemoryError.

    On Linux; elsewhere nothing is bounded. A limit that is lower already stays. Arrow's
    own allocator holds a gigabyte of address space in store, which no limit sees, so
    arrow takes the system's in here.
    """
    if sys.platform != "linux":
        yield
        return
    import resource  # noqa: PLC0415 - POSIX has it, other systems do not

    before, most = resource.getrlimit(resource.RLIMIT_AS)
    wanted = process_memory().asked + octets + _SLACK
    unlimited = resource.RLIM_INFINITY
    if before == unlimited or wanted < before:
        resource.setrlimit(resource.RLIMIT_AS, (wanted, most))
    try:
        with _system_allocator():
            yield
    finally:
        resource.setrlimit(resource.RLIMIT_AS, (before, most))


@contextmanager
def ended_beyond(octets: int, words: str) -> Iterator[None]:
    """End this process, with `words`, once it takes so much more memory in here.

    For a library that takes all that a server sends, which nothing stops from outside
    and which a limit of the system would abort without a word. On Linux; elsewhere
    nothing is bounded. What was being written is as after a kill.
    """
    if sys.platform != "linux":
        yield
        return
    over, most = threading.Event(), process_memory().resident + octets

    def watch() -> None:
        while not over.wait(_LOOK_S):
            if process_memory().resident > most:
                os.write(2, f"benchlog: {words}\n".encode(errors="replace"))
                os._exit(1)

    watching = threading.Thread(target=watch, daemon=True)
    watching.start()
    try:
        yield
    finally:
        over.set()
        watching.join()


@contextmanager
def _system_allocator() -> Iterator[None]:
    pa = arrow()
    usual = pa.default_memory_pool()
    pa.set_memory_pool(pa.system_memory_pool())
    try:
        yield
    finally:
        pa.set_memory_pool(usual)
