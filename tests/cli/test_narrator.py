"""Whoever does not read what a keeper in the foreground tells holds nobody up."""

import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import SimpleNamespace
from typing import Any

import pytest

from benchlog.cli.narrator import Narrator
from benchlog.cli.tasks.headless import Narration
from benchlog.model import Event

_LINES = 3_000
_TEXT = "x" * 80


@contextmanager
def unread_pipe(patch: pytest.MonkeyPatch) -> Iterator[int]:
    """Yield the reading end of the pipe that standard error is now."""
    reading, writing = os.pipe()
    with os.fdopen(writing, "w", encoding="ascii") as stream:
        patch.setattr(sys, "stderr", stream)
        yield reading


def ended_within(seconds: float, what: Any) -> bool:
    thread = threading.Thread(target=what, daemon=True)
    thread.start()
    thread.join(seconds)
    return not thread.is_alive()


def test_a_pipe_that_nobody_reads_does_not_hold_a_keeper(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    with unread_pipe(monkeypatch) as reading:
        narrator = Narrator()
        tell = Narration(narrator).tell
        event = Event(0, 0, "lost", _TEXT)
        told: Any = SimpleNamespace(run_id=1, kind="event", event=event)

        def tell_all() -> None:
            for _ in range(_LINES):
                tell(told)

        assert ended_within(5.0, tell_all)
        assert ended_within(5.0, narrator.close)  # 2 s, then it gives up
        os.set_blocking(reading, True)
        said = b""
        while b"left out" not in said:
            said += os.read(reading, 65_536)
        *lines, last, _ = said.decode().split("\n")
        assert set(lines) == {f"lost: {_TEXT}"}
        count = int(last.split()[0].replace(",", ""))
        assert count + len(lines) == _LINES
        os.close(reading)


def test_a_reader_that_has_gone_is_no_matter(monkeypatch: pytest.MonkeyPatch) -> None:
    with unread_pipe(monkeypatch) as reading:
        os.close(reading)
        with Narrator() as narrator:
            narrator.say("one")
            narrator.say("two", ring=True)


def test_a_closed_standard_error_is_no_matter(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stderr", None)
    with Narrator() as narrator:
        for _ in range(_LINES):
            narrator.say("nobody hears this")


def test_all_is_said_in_order_and_harmless(capsys: pytest.CaptureFixture[str]) -> None:
    with Narrator() as narrator:
        for number in range(50):
            narrator.say(f"{number}\x1b[2J")
    assert capsys.readouterr().err.splitlines() == [
        f"{number}\\x1b[2J" for number in range(50)
    ]


IN_BACKGROUND = """
import os, sys, termios
from benchlog.cli.narrator import Narrator
master, slave = os.openpty()
os.setsid()
os.close(os.open(os.ttyname(slave), os.O_RDWR))  # the first one a session opens is its
settings = termios.tcgetattr(slave)
settings[3] |= termios.TOSTOP
termios.tcsetattr(slave, termios.TCSANOW, settings)
child = os.fork()
if not child:
    os.setpgid(0, 0)
    sys.stderr = open(slave, "w")
    with Narrator() as narrator:
        narrator.say("in the background")
    os._exit(0)
_, how = os.waitpid(child, os.WUNTRACED)
if os.WIFSTOPPED(how):
    os.kill(child, 9)
    sys.exit("it was stopped")
print(os.read(master, 100).decode())
"""


def test_a_terminal_that_stops_the_background_does_not_stop_a_keeper() -> None:
    """With `stty tostop`; POSIX lets a write through where SIGTTOU is blocked."""
    done = subprocess.run(
        [sys.executable, "-c", IN_BACKGROUND],
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    assert done.stdout.strip() == "in the background"
