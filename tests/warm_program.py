"""The command line as a process, without the half second that its imports cost.

`Program` and `run` start `python -m benchlog.cli ...`, another module of ours, a file
of ours, or `python -c ...` with the arguments of `subprocess.Popen` and
`subprocess.run`. A process of `nursery.py` has imported benchlog and its libraries; it
forks for each start. What is forked is a process like any other: arguments, folder,
environment, descriptors and signals are its own, and it ends as an interpreter does.

What differs from a fresh interpreter: a module that cannot be imported first, because
of a circle, is there already, and hashes have one seed. With `afresh` libraries alone
are imported and nothing of ours: so are the documents tried, which show every command
(`test_docs.py`). Tests that are about starting start interpreters themselves
(`cli/test_startup.py`, `cli/test_elsewhere.py`, `cli/test_contract.py`). A start with
other settings for the interpreter gets an interpreter of its own here, too.
"""

import inspect
import json
import os
import select
import socket
import subprocess
import sys
from collections.abc import Mapping
from threading import Lock
from typing import Any

import nursery as forking
from nursery import HEAD, NUMBER

PROGRAM = [sys.executable, "-m", "benchlog.cli"]
"""What a command line begins with."""
PIPES = ("p2cread", "p2cwrite", "c2pread", "c2pwrite", "errread", "errwrite")
SETTINGS = ("PYTHON", "LD_", "LC_", "LANG", "TEXTUAL")


class Nursery:
    """The process that forks, as the tests see it; one for each process of theirs.

    It is nobody's child, as some tests look for children that are left. It ends when
    this end of the line is closed, if only by the end of this process.
    """

    def __init__(self) -> None:
        self.pid = os.getpid()
        self.settings = settings_of(os.environ)
        self.lock = Lock()
        self.line, theirs = socket.socketpair()
        with theirs:
            subprocess.run(
                [sys.executable, forking.__file__, str(theirs.fileno())],
                stdin=subprocess.DEVNULL,
                pass_fds=[theirs.fileno()],
                check=True,
            )

    def start(self, what: object, descriptors: list[int]) -> None:
        body = json.dumps(what).encode()
        with self.lock:
            socket.send_fds(self.line, [HEAD.pack(len(body))], descriptors)
            self.line.sendall(body)


_nurseries: list[Nursery] = []


def nursery() -> Nursery:
    if not _nurseries or _nurseries[0].pid != os.getpid():
        _nurseries[:] = [Nursery()]
    return _nurseries[0]


def settings_of(environment: Mapping[str, str]) -> dict[str, str]:
    """What is read of an environment before a program begins, or as it is imported."""
    found = {k: v for k, v in environment.items() if k.startswith(SETTINGS)}
    found.pop("PYTHONPATH", None)  # `become` follows it
    return found


class Program(subprocess.Popen[Any]):
    """`subprocess.Popen` of a command line, forked from the nursery."""

    def __init__(self, words: list[str], *given: Any, afresh: bool = False, **how: Any):
        self.afresh = afresh
        super().__init__(words, *given, **how)

    told: int | None = None
    """Where the nursery tells the pid, and how the process ended."""

    def _execute_child(self, *given: Any) -> None:
        # private: Popen has no public way to be started otherwise than by fork and exec
        started = super()._execute_child
        how = inspect.signature(started).bind(*given).arguments
        environment = dict(os.environ if how["env"] is None else how["env"])
        first, *words = [os.fspath(word) for word in how["args"]]
        if (
            first != sys.executable
            or not words[0].endswith(("-m", "-c", "-P", ".py"))
            or words[0] == forking.__file__
            or how["preexec_fn"] is not None
            or how["pass_fds"]
            or settings_of(environment) != nursery().settings
        ):
            started(*given)
            return
        what = {
            "words": words,
            "environment": environment,
            "folder": os.fspath(how["cwd"] or os.getcwd()),
            "session": how["start_new_session"],
            "afresh": self.afresh,
        }
        ends = [how["p2cread"], how["c2pwrite"], how["errwrite"]]
        self.told, theirs = os.pipe()
        descriptors = [own if end == -1 else end for own, end in enumerate(ends)]
        nursery().start(what, [*descriptors, theirs])
        os.close(theirs)
        self.pid = self._number(None)
        self._child_created = True
        self._close_pipe_fds(*(how[name] for name in PIPES))

    def _number(self, timeout: float | None) -> int | None:
        """Wait for the next number that the nursery tells; None when none comes."""
        assert self.told is not None
        if not select.select([self.told], [], [], timeout)[0]:
            return None
        number = os.read(self.told, NUMBER.size)
        assert number, "the nursery is gone"
        return NUMBER.unpack(number)[0]

    def _ended(self, timeout: float | None) -> None:
        with self._waitpid_lock:
            if self.returncode is None:
                self.returncode = self._number(timeout)
                if self.returncode is not None:
                    os.close(self.told)

    def _internal_poll(self, *more: Any, **named: Any) -> int | None:
        if self.told is None:
            # private: as in `_execute_child`
            return super()._internal_poll(*more, **named)
        self._ended(0.0)
        return self.returncode

    def _wait(self, timeout: float | None) -> int:
        if self.told is None:
            # private: as in `_execute_child`
            return super()._wait(timeout)
        self._ended(timeout)
        if self.returncode is None:
            raise subprocess.TimeoutExpired(self.args, timeout)
        return self.returncode


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
