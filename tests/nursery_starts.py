"""How processes are started from a nursery (`nursery.py`): `Popen` where it is warm."""

import inspect
import json
import os
import signal
import socket
import struct
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from threading import Lock
from typing import Any

HEAD, NUMBER = struct.Struct("!I"), struct.Struct("!i")
SETTINGS = ("PYTHON", "LD_", "LC_", "LANG", "TEXTUAL")
READ_AGAIN = ("TEXTUAL_DRIVER", "TEXTUAL_FPS", "TEXTUAL_COLOR_SYSTEM")
"""Settings that pages in a browser are started with; `become` has them read again."""
INNER = ("-P", "-m")
"""What the words begin with where benchlog starts a process of its own."""
WORKER = ["-u", "-c"]
"""What the words begin with where execnet starts a worker of `pytest -n`."""
PIPES = ("p2cread", "p2cwrite", "c2pread", "c2pwrite", "errread", "errwrite")
PLAIN = {"preexec_fn": None, "process_group": -1, "gid": None, "gids": None}
PLAIN |= {"uid": None, "umask": -1, "executable": None, "close_fds": True}
"""Arguments of `Popen` that an interpreter alone is started with when they differ."""
IGNORED = (signal.SIGINT, signal.SIGHUP, signal.SIGTERM, signal.SIGQUIT)
"""What a process may be started deaf to."""


class Nursery:
    """A nursery as its parent sees it; it ends with its parent's end of the line."""

    def __init__(self, line: socket.socket, settings: dict[str, str]) -> None:
        self.pid = os.getpid()
        self.settings = settings
        self.lock = Lock()
        self.line = line

    def start(self, what: object, descriptors: list[int]) -> int:
        """Return the pid of a new child; raise OSError where the nursery is gone."""
        body = json.dumps(what).encode()
        with self.lock:
            socket.send_fds(self.line, [HEAD.pack(len(body))], descriptors)
            self.line.sendall(body)
            told = self.line.recv(NUMBER.size)
        if not told:
            raise BrokenPipeError("the nursery is gone")
        return NUMBER.unpack(told)[0]


def settings_of(environment: Mapping[str, str]) -> dict[str, str]:
    """What is read of an environment before a program begins, or as it is imported."""
    followed = ("PYTHONPATH", *READ_AGAIN)
    return {
        name: value
        for name, value in environment.items()
        if name.startswith(SETTINGS) and name not in followed
    }


class InnerProgram(subprocess.Popen[Any]):
    """`subprocess.Popen`; what benchlog starts of its own comes from a nursery."""

    nursery: Nursery | None = None

    def their_nursery(self) -> Nursery | None:
        """Return the nursery of this process; None where there is none."""
        found = type(self).nursery
        return found if found and found.pid == os.getpid() else None

    def is_warm(self, words: list[str]) -> bool:
        """Whether a program of these words may come from a nursery."""
        return tuple(words[:2]) == INNER and words[2].startswith("benchlog.")

    def _execute_child(self, *given: Any) -> None:
        # private: Popen has no public way to be started otherwise than by fork and exec
        started = super()._execute_child
        if not self._warm(inspect.signature(started).bind(*given).arguments):
            started(*given)

    def _warm(self, how: dict[str, Any]) -> bool:
        """Start from the nursery; whether that could be."""
        if isinstance(how["args"], str | bytes | os.PathLike) or how["shell"]:
            return False
        first, *words = [os.fsdecode(word) for word in how["args"]]
        nursery = None
        if first == sys.executable and words and self.is_warm(words):
            nursery = self.their_nursery()
        environment = dict(os.environ if how["env"] is None else how["env"])
        folder = os.fsdecode(how["cwd"] or os.getcwd())
        if (
            nursery is None
            or any(how.get(name, usual) != usual for name, usual in PLAIN.items())
            or settings_of(environment) != nursery.settings
            or not os.path.isdir(folder)
        ):
            return False
        ends = [how["p2cread"], how["c2pwrite"], how["errwrite"]]
        standard = [own if end == -1 else end for own, end in enumerate(ends)]
        passed = sorted(how["pass_fds"])
        what = {
            "words": words,
            "environment": environment,
            "folder": folder,
            "session": bool(how["start_new_session"]),
            "afresh": getattr(self, "afresh", False),
            "numbers": [0, 1, 2, *passed],
            "ignored": [n for n in IGNORED if signal.getsignal(n) == signal.SIG_IGN],
            "blocked": [int(n) for n in signal.pthread_sigmask(signal.SIG_BLOCK, ())],
            "umask": umask_of_this_process(),
            "nice": os.getpriority(os.PRIO_PROCESS, 0),
        }
        try:
            self.pid = nursery.start(what, [*standard, *passed])
        except OSError:  # killed with this process's group, or no descriptors left
            return False
        self._child_created = True
        self._close_pipe_fds(*(how[name] for name in PIPES))
        return True


def umask_of_this_process() -> int:
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("Umask:"):
            return int(line.split()[1], 8)
    return 0o022
