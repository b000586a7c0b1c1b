"""The process that has imported benchlog and its libraries, and forks for each start.

`warm_program.py` starts it and speaks to it.
"""

import atexit
import contextlib
import gc
import importlib
import json
import os
import pkgutil
import runpy
import select
import signal
import socket
import struct
import sys
import time
from typing import Any

ROOMS = ("benchlog", "benchlog_drivers")
LIBRARIES = ("scipy.special", "pyarrow.parquet", "fpdf", "jinja2", "serial")
HEAD, NUMBER = struct.Struct("!I"), struct.Struct("!i")


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


def run_main() -> None:
    """Run what the words of `python` name: a module, a text, a file."""
    if sys.argv[0] == "-P":
        sys.argv.pop(0)
    option = sys.argv[0]
    if option == "-m":
        sys.argv.pop(0)
        runpy.run_module(sys.argv[0], run_name="__main__", alter_sys=True)
    elif option == "-c":
        exec(sys.argv.pop(1), {"__name__": "__main__"})
    else:
        sys.path[0] = os.path.dirname(option)
        runpy.run_path(option, run_name="__main__")


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
    sys.argv = what["words"]
    try:
        run_main()
        code.append(0)
    except SystemExit as exit:
        if isinstance(exit.code, int):
            code.append(exit.code & 0xFF)
        raise


if __name__ == "__main__":
    main()
