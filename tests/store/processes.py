"""Other processes for the tests of the store; each is ended by its own handle.

Our programs come from the nursery (`warm_program.py`); a piece of Python, which may
choose what is imported, has an interpreter of its own.
"""

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from warm_program import Program

PROGRAMS = Path(__file__).parent / "programs"
TESTS = Path(__file__).parents[1]


def environment(**more: str) -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(TESTS), **more}


@contextmanager
def program(
    name: str, *arguments: object, **more: object
) -> Iterator[subprocess.Popen]:
    words = [sys.executable, str(PROGRAMS / name), *map(str, arguments)]
    process = Program(
        words,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        env=environment(),
        **more,
    )
    try:
        yield process
    finally:
        process.kill()
        process.communicate(timeout=20)


def python(source: str, *arguments: object, **more: object) -> str:
    """Run a piece of Python in a process of its own; return what it printed."""
    words = [sys.executable, "-c", source, *map(str, arguments)]
    done = subprocess.run(
        words,
        capture_output=True,
        text=True,
        timeout=60,
        env=environment(),
        check=False,
        **more,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout
