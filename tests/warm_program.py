"""The command line as a process, without the half second that its imports cost.

`Program` and `run` start `python -m benchlog.cli ...`, another module of ours, a file
of ours, or `python -c ...` with the arguments of `subprocess.Popen` and
`subprocess.run`. A process of `nursery.py` has imported benchlog and its libraries; it
forks for each start. What is forked is a process like any other and a child of whoever
started it: arguments, folder, environment, descriptors and signals are its own, and it
ends as an interpreter does. Keepers, instruments and setters that benchlog starts by
itself come from there, too, whether a test or what a test started asks for them.

What differs from a fresh interpreter: a module that cannot be imported first, because
of a circle, is there already, hashes have one seed, and what `done_once.py` names is
done. With `afresh` libraries alone
are imported and nothing of ours: so are the documents tried, which show every command
(`test_docs.py`, each command once). Tests that are about starting start interpreters
themselves (`cli/test_startup.py`, `cli/test_elsewhere.py`,
`cli/test_contract.py`), and
`cold_starts` leaves what benchlog starts to interpreters. A start with other settings
for the interpreter gets an interpreter of its own here, too, and so does every start
where the system is not Linux.
"""

import os
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import nursery as forking
from nursery import CLONE, ROOM_FOR_WORDS
from nursery_starts import WORKER, InnerProgram, Nursery, settings_of

PROGRAM = [sys.executable, "-m", "benchlog.cli"]
"""What a command line begins with."""
_REAL = InnerProgram.__base__
_BEFORE = dict(os.environ)
"""The environment that no test has changed yet: nurseries are started with it."""


def nursery() -> Nursery | None:
    """Return the nursery of this process; None where the system has no such forks."""
    if sys.platform != "linux" or CLONE is None:
        return None
    found = InnerProgram.nursery
    if found is None or found.pid != os.getpid():
        line, theirs = socket.socketpair()
        with theirs:
            theirs.set_inheritable(True)
            words = [sys.executable, forking.__file__, str(theirs.fileno())]
            os.posix_spawn(words[0], [*words, "-" * ROOM_FOR_WORDS], _BEFORE)
        found = InnerProgram.nursery = Nursery(line, settings_of(_BEFORE))
    return found


class InnerStart(InnerProgram):
    """`subprocess.Popen` in tests; warm where benchlog starts a process of its own.

    So are the workers of `pytest -n`: what each would import is imported once, and
    each has a nursery from its first moment on.
    """

    def their_nursery(self) -> Nursery | None:
        return nursery()

    def is_warm(self, words: list[str]) -> bool:
        return super().is_warm(words) or (words[:2] == WORKER and is_of_execnet(words))


def is_of_execnet(words: list[str]) -> bool:
    """Whether a worker is started by these words: its program comes by its input."""
    return len(words) == 3 and "exec(eval(sys.stdin.readline()))" in words[2]


class Program(InnerProgram):
    """`subprocess.Popen` of a command line, forked from the nursery."""

    def __init__(self, words: list[str], *given: Any, afresh: bool = False, **how: Any):
        self.afresh = afresh
        super().__init__(words, *given, **how)

    def their_nursery(self) -> Nursery | None:
        return nursery()

    def is_warm(self, words: list[str]) -> bool:
        return words[0].endswith(("-m", "-c", "-P", ".py"))


def warm_inner_starts() -> None:
    """Let what benchlog starts of its own come from the nursery."""
    subprocess.Popen = InnerStart  # type: ignore[misc]


@contextmanager
def cold_starts() -> Iterator[None]:
    """Let what is started in this process be fresh interpreters."""
    before, subprocess.Popen = subprocess.Popen, _REAL  # type: ignore[misc]
    try:
        yield
    finally:
        subprocess.Popen = before  # type: ignore[misc]


def children_of(pid: int) -> list[int]:
    """Return the children of a process, without its nursery; also those that ended."""
    told = Path(f"/proc/{pid}/task/{pid}/children").read_text()
    return [child for child in map(int, told.split()) if not is_nursery(child)]


def is_nursery(pid: int) -> bool:
    """Whether this process is there for tests alone."""
    return forking.__file__.encode() in Path(f"/proc/{pid}/cmdline").read_bytes()


def run(
    words: list[str],
    *,
    input: Any = None,
    timeout: float | None = None,
    check: bool = False,
    capture_output: bool = False,
    **more: Any,
) -> subprocess.CompletedProcess[Any]:
    """`subprocess.run` of a command line, forked from the nursery."""
    if input is not None:
        more["stdin"] = subprocess.PIPE
    if capture_output:
        more |= {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
    with Program(words, **more) as process:
        try:
            out, err = process.communicate(input, timeout)
        except BaseException:
            process.kill()
            raise
    done = subprocess.CompletedProcess(words, process.returncode, out, err)
    if check:
        done.check_returncode()
    return done
