"""A program run to its end: no shell, a time limit, its output drained and bounded."""

import os
import selectors
import signal
import subprocess
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Final

from benchlog.clock import host_deadline, host_sleep

_SAID: Final = 300  # our rule: a line or two
_PIECE: Final = 65_536  # our rule: what a pipe holds
_LOOK_S: Final = 0.02  # our rule: seen at once


@dataclass(frozen=True, slots=True)
class Finished:
    """How a program ended: its exit status, and the end of what it wrote.

    `status` is None when it was ended for its time, below zero when a signal ended it.
    """

    status: int | None
    tail: bytes


def run_program(
    words: Sequence[str], limit_s: float, environment: Mapping[str, str] | None = None
) -> Finished:
    """Run a program in a session and process group of its own, `limit_s` at most.

    With `environment` it sees that and nothing else. When its time is up, it is ended
    with its group. Raises OSError when it cannot be started, ValueError for a word that
    no program can be given.
    """
    with subprocess.Popen(
        list(words),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        start_new_session=True,
        env=None if environment is None else dict(environment),
    ) as process:
        try:
            ended, tail = _listen(process, limit_s)
        except BaseException:
            _end_group(process.pid)
            raise
        if ended:
            return Finished(process.wait(), tail)
        _end_group(process.pid)
        return Finished(None, tail)


def _end_group(pid: int) -> None:
    with suppress(OSError):
        os.killpg(pid, signal.SIGKILL)  # and what it had started


def _listen(process: subprocess.Popen[bytes], limit_s: float) -> tuple[bool, bytes]:
    """Take what a program says until it has ended; however much, the end is kept.

    Returns whether it ended in time. What it left running may hold the pipe open, so
    the end of the pipe is not waited for.
    """
    assert process.stdout is not None  # it was asked for
    pipe, tail, limit = process.stdout.fileno(), b"", host_deadline(limit_s)
    os.set_blocking(pipe, False)
    with selectors.DefaultSelector() as selector:
        selector.register(pipe, selectors.EVENT_READ)
        while not limit.passed:
            ended = process.poll() is not None
            if not selector.get_map():
                host_sleep(0.0 if ended else _LOOK_S)
            elif selector.select(0.0 if ended else _LOOK_S):
                piece = os.read(pipe, _PIECE)
                tail = (tail + piece)[-_SAID:]
                if not piece:
                    selector.unregister(pipe)
            if ended:
                return True, tail
    return False, tail
