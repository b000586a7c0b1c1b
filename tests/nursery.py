"""The process that has imported benchlog and its libraries, and forks for each start.

`warm_program.py` starts it, `nursery_starts.py` speaks to it. Whoever asks becomes the
parent of what is forked, so that waiting, signals and the end of a parent are as with a
fresh interpreter. What is forked has a nursery of its own, where it may start processes
of ours itself.
"""

import atexit
import contextlib
import ctypes
import fcntl
import gc
import importlib
import json
import os
import pkgutil
import platform
import runpy
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

from done_once import (
    collect_constants_once,
    find_drivers_once,
    keep_what_is_compiled,
    try_usual_replies_once,
    type_commands_once,
)
from nursery_starts import (
    HEAD,
    IGNORED,
    NUMBER,
    READ_AGAIN,
    WORKER,
    InnerProgram,
    Nursery,
    settings_of,
)

ROOMS = ("benchlog", "benchlog_drivers")
LIBRARIES = (
    *("scipy.special", "pyarrow.parquet", "fpdf", "jinja2", "serial", "segno"),
    *("matplotlib.figure", "matplotlib.backends.backend_svg", "matplotlib.textpath"),
    *("aiohttp.web", "textual_serve.server", "rich.traceback"),
    *("psycopg", "pymodbus.client", "pyvisa_py"),
    # what these import when they are used
    *("textual.drivers.linux_driver", "textual.drivers.web_driver"),
    *("textual.layouts.factory", "textual.scrollbar"),
    *("importlib.readers", "encodings.idna", "encodings.utf_8_sig"),
)
OF_TESTS = ("hypothesis.strategies", "html5lib", "jsonschema", "pypdf")
"""What workers of `pytest -n` need besides. DuckDB would start a thread."""
STARTERS = {
    *("benchlog.recorder.launch", "benchlog.recorder.lot.lot_inspection"),
    "benchlog.recorder.rack.qualification",
    *("check-bench", "demo", "inspect", "measure", "new", "qualify", "refcheck"),
    *("response", "soak", "trim", "watch"),
    *("campaign.py", "crowd.py", "keeper_program.py", "kills.py"),
}
"""Words, and names of programs, of what starts processes of ours; where one is missing,
interpreters start."""
QUIET = {"JE_ARROW_MALLOC_CONF": "background_thread:false"}
"""Keeps the allocator of pyarrow from starting a thread."""
ROOM_FOR_WORDS = 4_000
LINE = 200
"""The lowest number of the line to a nursery, out of the way of what tests count."""
CLONE = {"x86_64": 56, "aarch64": 220}.get(platform.machine())
CLONE_PARENT = 0x8000  # source: linux/sched.h; CLONE: asm/unistd.h
COLLAPSE = 25  # MADV_COLLAPSE; source: asm-generic/mman-common.h
HUGE = 1 << 21
"""Bytes of a huge page."""


def import_everything() -> None:
    """Import what any command may need; what is not installed is left out.

    No library may start a thread: what is forked would wait for it.
    """
    gc.disable()  # what is imported stays
    os.environ |= {"OPENBLAS_NUM_THREADS": "1", **QUIET}
    for name in LIBRARIES + OF_TESTS:
        with contextlib.suppress(ImportError):
            importlib.import_module(name)
    for room in ROOMS:
        package = importlib.import_module(room)
        for found in pkgutil.walk_packages(package.__path__, f"{room}."):
            if not found.name.endswith("__main__"):
                with contextlib.suppress(ImportError):
                    importlib.import_module(found.name)


def use_huge_pages() -> None:
    """Move what was imported into huge pages; Linux does so from 6.1 on.

    A fork copies an entry for each page, and at its end gives each back: of 38,000
    small pages that took 12 ms of processor time, now it takes 4 ms.
    """
    libc = ctypes.CDLL(None)
    for line in Path("/proc/self/maps").read_text().splitlines():
        span, rights, _, _, _, *name = line.split()
        if "w" in rights and name in ([], ["[heap]"]):
            begin, end = (int(one, 16) for one in span.split("-"))
            for at in range(-(-begin // HUGE) * HUGE, end - HUGE + 1, HUGE):
                libc.madvise(ctypes.c_void_p(at), ctypes.c_size_t(HUGE), COLLAPSE)


# --- the nursery itself


def serve(line: socket.socket) -> dict[str, Any]:
    """Fork for each request; return in the child, with what it is to be.

    The nursery itself ends here, once nobody is at the other end of the line.
    """
    # blocked, not ignored: one that is sent to a fork at once waits for `become`
    signal.pthread_sigmask(signal.SIG_BLOCK, IGNORED)
    while True:
        head, descriptors, _, _ = socket.recv_fds(line, HEAD.size, 60)
        if not head:
            os._exit(0)
        body = b""
        while len(body) < HEAD.unpack(head)[0]:
            body += line.recv(HEAD.unpack(head)[0] - len(body))
        what = {**json.loads(body), "descriptors": descriptors}
        heard, open_until_shown = os.pipe()
        pid = fork_a_sibling()
        if pid == 0:
            if what["session"]:  # its group can be ended as soon as its pid is known
                os.setsid()
            show_words([sys.executable, *what["words"]])
            os.close(open_until_shown)
            os.close(heard)
            return what
        for end in (*descriptors, open_until_shown):
            os.close(end)
        os.read(heard, 1)
        os.close(heard)
        line.sendall(NUMBER.pack(pid))


def fork_a_sibling() -> int:
    """Fork, as a child of this process's parent (`CLONE_PARENT`).

    This process has one thread, so nothing is held that a C library's own fork frees.
    """
    libc = ctypes.PyDLL(None)
    ctypes.pythonapi.PyOS_BeforeFork()
    words = (CLONE, CLONE_PARENT | signal.SIGCHLD, 0, 0, 0, 0)
    pid = libc.syscall(*(ctypes.c_long(word) for word in words))
    if pid == 0:
        ctypes.pythonapi.PyOS_AfterFork_Child()
    else:
        ctypes.pythonapi.PyOS_AfterFork_Parent()
    if pid < 0:
        raise OSError("no process could be made")
    return pid


# --- what is forked


def become(what: dict[str, Any]) -> None:
    """Make this fork the process that was asked for."""
    keep_descriptors(what["descriptors"], what["numbers"])
    for number in IGNORED:
        signal.signal(number, signal.SIG_DFL)
    signal.signal(signal.SIGINT, signal.default_int_handler)
    for number in what["ignored"]:
        signal.signal(number, signal.SIG_IGN)
    os.umask(what["umask"])
    if what["nice"] != os.getpriority(os.PRIO_PROCESS, 0):
        os.setpriority(os.PRIO_PROCESS, 0, what["nice"])
    os.environ.clear()
    os.environ.update(what["environment"])
    time.tzset()
    os.chdir(what["folder"])
    more = os.environ.get("PYTHONPATH", "").split(os.pathsep)
    first = [] if what["words"][0] == "-P" else [os.getcwd()]
    sys.path[:1] = [*first, *filter(None, more)]
    if any(name in os.environ for name in READ_AGAIN):
        importlib.reload(sys.modules["textual.constants"])
    if what["afresh"]:
        for name in [one for one in sys.modules if one.partition(".")[0] in ROOMS]:
            del sys.modules[name]
    signal.pthread_sigmask(signal.SIG_SETMASK, what["blocked"])


def keep_descriptors(given: list[int], numbers: list[int]) -> None:
    """Give the descriptors their numbers; close all others."""
    away = [fcntl.fcntl(end, fcntl.F_DUPFD, LINE) for end in given]
    for one in [int(name) for name in os.listdir("/proc/self/fd")]:
        if one not in away:
            with contextlib.suppress(OSError):
                os.close(one)
    for end, number in zip(away, numbers, strict=True):
        os.dup2(end, number)
        os.close(end)


def show_words(words: list[str]) -> None:
    """Let `/proc` tell the words of this process."""
    begin, end = map(
        int, Path("/proc/self/stat").read_text().rsplit(")")[-1].split()[45:47]
    )
    told = b"".join(os.fsencode(word) + b"\0" for word in words)[: end - begin - 1]
    ctypes.memmove(begin, told.ljust(end - begin, b"\0"), end - begin)


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
    if sys.argv[0] in ("-P", "-u"):
        sys.argv.pop(0)
    option = sys.argv[0]
    if option == "-m":
        sys.argv.pop(0)
        sys.modules.pop(sys.argv[0], None)  # else it is told that it is there already
        runpy.run_module(sys.argv[0], run_name="__main__", alter_sys=True)
    elif option == "-c":
        exec(sys.argv.pop(1), {"__name__": "__main__"})
    else:
        sys.path[0] = os.path.dirname(option)
        runpy.run_path(option, run_name="__main__")


# --- the nursery of what was forked


def starts_others(words: list[str]) -> bool:
    """Whether it starts processes of ours itself, or is a worker, whose tests do."""
    names = map(os.path.basename, words[:6])
    return words[:2] == WORKER or not STARTERS.isdisjoint(names)


def nursery_of_its_own(nursery_words: list[str]) -> "dict[str, Any] | None":
    """Give this process a nursery; return in what it forks with what that is to be."""
    ours, theirs = socket.socketpair()
    pid = os.fork()
    if pid == 0:
        show_words(nursery_words)
        ours.close()
        keep_descriptors([theirs.detach()], [3])
        return serve(socket.socket(fileno=3))
    theirs.close()
    line = socket.socket(fileno=fcntl.fcntl(ours, fcntl.F_DUPFD_CLOEXEC, LINE))
    ours.close()
    InnerProgram.nursery = Nursery(line, settings_of(os.environ))
    subprocess.Popen = InnerProgram  # type: ignore[misc]
    return None


def main() -> None:
    own_words = [sys.executable, *sys.argv[:2]]
    code: list[int] = []
    atexit.register(leave_at_once, code)  # as the first, so that it is the last to run
    os.chdir(Path(__file__).parent)  # not where a test happens to be
    keep_what_is_compiled(ROOMS)
    find_drivers_once()
    import_everything()
    try_usual_replies_once()
    type_commands_once()
    collect_constants_once()
    gc.collect()
    gc.freeze()
    gc.enable()
    importlib.invalidate_caches()  # here, as a fork would copy 900 pages for it
    use_huge_pages()
    if len(os.listdir("/proc/self/task")) > 1:
        raise SystemExit("a library has started a thread: interpreters start instead")
    nothing = os.open(os.devnull, os.O_RDWR)
    keep_descriptors([nothing, nothing, 2, int(sys.argv[1])], [0, 1, 2, 3])
    what = serve(socket.socket(fileno=3))
    while True:
        become(what)
        if not starts_others(what["words"]):
            break
        asked = nursery_of_its_own(own_words)
        if asked is None:
            break
        what = asked
    open_standard_streams()
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
