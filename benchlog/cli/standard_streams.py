"""Standard output and error as the work needs them: nobody who reads is no fault.

Whoever closed standard error, or sent it where nothing can be written, gets nothing
there; the command does its work. Whoever ends a run by a signal gets its figures where
somebody takes them, and never waits for somebody who does not.
"""

import atexit
import io
import os
import select
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import Final

_ENDING: Final = (signal.SIGTERM, signal.SIGHUP)
_LOOK_S: Final = 0.25
_STUCK_S: Final = 2.0  # our rule: a reader that reads takes something within this


def make_usable() -> None:
    """Give this process a standard error that takes everything, or loses it."""
    _occupy()
    if sys.stderr is None:
        sys.stderr = Path(os.devnull).open("w", encoding="utf-8")  # noqa: SIM115 - to the end
    elif sys.stderr is sys.__stderr__ and isinstance(sys.stderr, io.TextIOWrapper):
        sys.stderr = _forgiving(sys.stderr.fileno(), sys.stderr.encoding)
    for stream in (sys.stdout, sys.stderr):
        # An id or a note may hold letters that the terminal's encoding lacks.
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")


@contextmanager
def let_go_once_ended() -> Iterator[None]:
    """Where a keeper in here is ended by a signal, do not wait for readers afterwards.

    The keeper has the signals while it runs, and calls who had them before. One that
    comes at another time does what it always does.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = {one: signal.getsignal(one) for one in _ENDING}
    if before[signal.SIGHUP] == signal.SIG_IGN:  # `nohup`
        del before[signal.SIGHUP]

    def asked(number: int, frame: FrameType | None) -> None:
        if frame is None:
            _let_go_of_stuck()
            return
        signal.signal(number, before[signal.Signals(number)])
        signal.raise_signal(number)

    for one in before:
        signal.signal(one, asked)
    try:
        yield
    finally:
        for one, handler in before.items():
            signal.signal(one, handler)


def _occupy() -> None:
    """Have all three numbers in use: a file that is opened must not get one of them."""
    number = os.open(os.devnull, os.O_RDWR)
    while number <= 2:
        number = os.open(os.devnull, os.O_RDWR)
    os.close(number)


class _LosingFile(io.FileIO):
    """A file that takes what it cannot write, too."""

    def write(self, octets: object, /) -> int:
        try:
            return super().write(octets)  # type: ignore[arg-type]
        except OSError:
            return memoryview(octets).nbytes  # type: ignore[arg-type]


def _forgiving(number: int, encoding: str) -> io.TextIOWrapper:
    raw = _LosingFile(number, "w", closefd=False)
    return io.TextIOWrapper(
        io.BufferedWriter(raw), encoding=encoding, line_buffering=True
    )


def _let_go_of_stuck() -> None:
    """From now on, drop what an output does not take for 2 s.

    A write that is held up goes on where its number leads to then: nowhere.
    """
    refused = {1: 0, 2: 0}

    def look(*_: object) -> None:
        for number, times in refused.items():
            refused[number] = 0 if _is_free(number) else times + 1
            if times * _LOOK_S >= _STUCK_S:
                nowhere = os.open(os.devnull, os.O_WRONLY)
                os.dup2(nowhere, number)
                os.close(nowhere)

    # Python lets go of its handlers before its end: an alarm would end it then.
    atexit.register(signal.setitimer, signal.ITIMER_REAL, 0)
    signal.signal(signal.SIGALRM, look)
    signal.setitimer(signal.ITIMER_REAL, _LOOK_S, _LOOK_S)


def _is_free(number: int) -> bool:
    try:
        return bool(select.select((), (number,), (), 0)[1])
    except (OSError, ValueError):
        return True  # a write to it tells
