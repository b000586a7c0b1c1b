"""What a process takes of the memory, as Linux tells it (proc(5), `statm`)."""

import mmap
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class ProcessMemory:
    """Octets: address space that was asked for, used or not, and what is resident."""

    asked: int
    resident: int


def process_memory(pid: int | None = None) -> ProcessMemory:
    """Return what a process takes, this one if none is named; 0 where nobody tells."""
    path = Path(f"/proc/{'self' if pid is None else pid}/statm")
    try:
        asked, resident, *_ = map(int, path.read_text().split())
    except (OSError, ValueError):
        return ProcessMemory(0, 0)
    return ProcessMemory(asked * mmap.PAGESIZE, resident * mmap.PAGESIZE)
