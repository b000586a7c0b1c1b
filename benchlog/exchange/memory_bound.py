"""A bound on the memory that a library takes which reads a stranger's file."""

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from benchlog.exchange.arrow import arrow

_STATM: Final = Path("/proc/self/statm")
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
    used = int(_STATM.read_text().split()[0]) * resource.getpagesize()
    wanted = used + octets + _SLACK
    unlimited = resource.RLIM_INFINITY
    if before == unlimited or wanted < before:
        resource.setrlimit(resource.RLIMIT_AS, (wanted, most))
    try:
        with _system_allocator():
            yield
    finally:
        resource.setrlimit(resource.RLIMIT_AS, (before, most))


@contextmanager
def _system_allocator() -> Iterator[None]:
    pa = arrow()
    usual = pa.default_memory_pool()
    pa.set_memory_pool(pa.system_memory_pool())
    try:
        yield
    finally:
        pa.set_memory_pool(usual)
