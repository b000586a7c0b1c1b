"""The command line as a process, without the half second that its imports cost.

`Program` and `run` start `python -m benchlog.cli ...`, another module of ours, or
`python -c ...` with the arguments of `subprocess.Popen` and `subprocess.run`. A process
of this file, the nursery, has imported benchlog and its libraries; it forks for each
start. What is forked is a process like any other: arguments, folder, environment,
descriptors and signals are its own, and it ends as an interpreter does.

What differs from a fresh interpreter: a module that cannot be imported first, because
of a circle, is there already, and hashes have one seed. With `afresh` libraries alone
are imported and nothing of ours: so are the documents tried, which show every command
(`test_docs.py`). Tests that are about starting start interpreters themselves
(`cli/test_startup.py`, `cli/test_elsewhere.py`, `cli/test_contract.py`). A start with
other settings for the interpreter gets an interpreter of its own here, too.
"""

import atexit
import contextlib
import gc
import importlib
import inspect
import json
import os
import pkgutil
import runpy
import select
import signal
import socket
import struct
import subprocess
import sys
import time
from collections.abc import Mapping
from threading import Lock
from typing import Any

MODULE = "benchlog.cli"
PROGRAM = [sys.executable, "-m", MODULE]
"""What a command line begins with."""
ROOMS = ("benchlog", "benchlog_drivers")
LIBRARIES = ("scipy.special", "pyarrow.parquet", "fpdf", "jinja2", "serial")
PIPES = ("p2cread", "p2cwrite", "c2pread", "c2pwrite", "errread", "errwrite")
SETTINGS = ("PYTHON", "LD_", "LC_", "LANG", "TEXTUAL")
HEAD, NUMBER = struct.Struct("!I"), struct.Struct("!i")


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
                [sys.executable, __file__, str(theirs.fileno())],
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
        started = super()._execute_child
        how = inspect.signature(started).bind(*given).arguments
        environment = dict(os.environ if how["env"] is None else how["env"])
        first, *words = [os.fspath(word) for word in how["args"]]
        if (
            first != sys.executable
            or words[:1] not in (["-m"], ["-c"], ["-P"])
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
            return super()._internal_poll(*more, **named)
        self._ended(0.0)
        return self.returncode

    def _wait(self, timeout: float | None) -> int:
        if self.told is None:
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


def import_everything() -> None:
    """Import what any command may need; what is not installed is left out."""
    for name in LIBRARIES:
        with contextlib.suppress(ImportError):
            importlib.import_module(name)
    for room in ROOMS:
        package = importlib.import_module(room)
        for found in pkgutil.walk_packages(package.__path__, f"{room}."):
            if not found.name.endswith("__main__"):
                with contextlib.suppress(ImportError):
                    importlib.import_module(found.name)


def serve(line: socket.socket) -> dict[str, Any]:
    """Fork for each request; return in the child, with what it is to be.

    The nursery itself ends here, once nobody is at the other end of the line.
    """
    heard, rung = os.pipe()
    for end in (heard, rung):
        os.set_blocking(end, False)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGCHLD, lambda *_: None)
    signal.set_wakeup_fd(rung, warn_on_full_buffer=False)
    children: dict[int, int] = {}
    while True:
        ready = select.select([line, heard], [], [])[0]
        if heard in ready:
            with contextlib.suppress(BlockingIOError):
                os.read(heard, 4096)
            tell_ends(children)
        if line not in ready:
            continue
        head, descriptors, _, _ = socket.recv_fds(line, HEAD.size, 4)
        if not head:
            os._exit(0)
        body = b""
        while len(body) < HEAD.unpack(head)[0]:
            body += line.recv(HEAD.unpack(head)[0] - len(body))
        pid = os.fork()
        if pid == 0:
            return {**json.loads(body), "descriptors": descriptors}
        *standard, told = descriptors
        for end in standard:
            os.close(end)
        os.write(told, NUMBER.pack(pid))
        children[pid] = told


def tell_ends(children: dict[int, int]) -> None:
    """Tell of each child that ended how it did, as `Popen.returncode` has it."""
    while children:
        pid, status = os.waitpid(-1, os.WNOHANG)
        if pid == 0:
            return
        told = children.pop(pid)
        with contextlib.suppress(BrokenPipeError):
            os.write(told, NUMBER.pack(os.waitstatus_to_exitcode(status)))
        os.close(told)


def become(what: dict[str, Any]) -> None:
    """Make this fork the process that was asked for."""
    signal.set_wakeup_fd(-1)
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    signal.signal(signal.SIGINT, signal.default_int_handler)
    for own, end in enumerate(what["descriptors"][:3]):
        os.dup2(end, own)
    for number in [int(name) for name in os.listdir("/proc/self/fd")]:
        if number > 2:
            with contextlib.suppress(OSError):
                os.close(number)
    if what["session"]:
        os.setsid()
    os.environ.clear()
    os.environ.update(what["environment"])
    time.tzset()
    os.chdir(what["folder"])
    more = os.environ.get("PYTHONPATH", "").split(os.pathsep)
    first = [] if what["words"][0] == "-P" else [os.getcwd()]
    sys.path[:1] = [*first, *filter(None, more)]
    importlib.invalidate_caches()
    open_standard_streams()
    if what["afresh"]:
        for name in [one for one in sys.modules if one.partition(".")[0] in ROOMS]:
            del sys.modules[name]


def open_standard_streams() -> None:
    """Open them as the interpreter does."""
    errors = {"stdin": "strict", "stdout": "strict", "stderr": "backslashreplace"}
    for own, name in enumerate(errors):
        old = getattr(sys, name)
        mode = "r" if own == 0 else "w"
        buffering = 1 if own == 2 or os.isatty(own) else -1
        how = (mode, buffering, old.encoding, errors[name])
        stream = open(own, *how, closefd=False)  # noqa: SIM115
        stream.mode = mode
        setattr(sys, name, stream)
        setattr(sys, f"__{name}__", stream)


def leave_at_once(code: list[int]) -> None:
    """End with what `sys.exit` was given; taking the modules apart takes 50 ms.

    What prevents it is left to the interpreter.
    """
    if code:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code[0])


def main() -> None:
    if os.fork():
        os._exit(0)
    code: list[int] = []
    atexit.register(leave_at_once, code)  # as the first, so that it is the last to run
    import_everything()
    gc.collect()
    gc.freeze()
    what = serve(socket.socket(fileno=int(sys.argv[1])))
    become(what)
    option, first, *more = [word for word in what["words"] if word != "-P"]
    sys.argv = ["-c" if option == "-c" else first, *more]
    try:
        if option == "-c":
            exec(first, {"__name__": "__main__"})
        else:
            runpy.run_module(first, run_name="__main__", alter_sys=True)
    except SystemExit as exit:
        if isinstance(exit.code, int):
            code.append(exit.code & 0xFF)
        raise


if __name__ == "__main__":
    main()
