"""A program of its own that holds something, until the test has seen enough.

`HOLDER` holds an instrument by who it is, as another keeper does.
"""

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager

from warm_program import Program

HOLDER = """
import sys
from benchlog.clock import HostClock
from benchlog.model import Identity
from benchlog.recorder.bench_lock import BenchLocks
who, model = sys.argv[1:]
with BenchLocks([], who, HostClock()) as locks:
    locks.hold_instrument(Identity("", "ACORN", model, "4711"), "GPIB0::8::INSTR")
    print("held", flush=True)
    input()
"""


@contextmanager
def waiting_program(program: str, *words: str) -> Iterator[Program]:
    """Run a program that says `held` and ends when it is spoken to."""
    with Program(
        [sys.executable, "-c", program, *words],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as other:
        assert other.stdout is not None and other.stdout.readline() == "held\n"
        yield other
        other.communicate("\n", timeout=30)
