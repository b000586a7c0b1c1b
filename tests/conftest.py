"""What holds for all tests: one thread for linear algebra, warm starts, who goes first.

numpy's OpenBLAS starts a thread for each core; they spin while waiting for each other.
Beside other workers on the same cores a fit took nine times the processor time.
"""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from warm_program import warm_inner_starts

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
warm_inner_starts()

HERE = Path(__file__).parent
LONG = ("soak", "recorder/rack", "trim", "forwarding", "inspect", "test_docs.py")
"""Where single tests take ten seconds: begun last, they would keep one core busy."""


def pytest_configure(config: pytest.Config) -> None:
    """Compile the tests once, before several workers would each do it all."""
    several = config.getoption("numprocesses", None)
    if several and not hasattr(config, "workerinput") and not _are_compiled():
        files = [str(one) for one in sorted(HERE.rglob("test_*.py"))]
        count = min(os.cpu_count() or 1, several)
        words = [sys.executable, "-m", "pytest", "--collect-only", "--quiet"]
        words += ["-p", "no:xdist", "-p", "no:cacheprovider"]
        parts = [
            subprocess.Popen([*words, *files[n::count]], stdout=subprocess.DEVNULL)
            for n in range(count)
        ]
        for part in parts:
            part.wait()


def _are_compiled() -> bool:
    """Whether most are, or cannot be."""
    if sys.dont_write_bytecode or sys.pycache_prefix is not None:
        return True
    files = sum(1 for _ in HERE.rglob("test_*.py"))
    tag = sys.implementation.cache_tag
    there = sum(1 for _ in HERE.rglob(f"__pycache__/test_*.{tag}-pytest-*.pyc"))
    return there > files / 2


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put what is long first; neighbours stay together, as they share benches."""
    long = tuple(str(HERE / one) for one in LONG)
    items.sort(key=lambda item: not str(item.path).startswith(long))
