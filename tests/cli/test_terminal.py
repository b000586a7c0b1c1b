"""`measure` and `watch` in a real terminal: a pty that the program controls."""

import contextlib
import fcntl
import os
import re
import select
import struct
import sys
import termios
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from cli.conftest import Line
from waiting import wait_for
from warm_program import Program

from benchlog.clock import host_deadline
from benchlog.model import Run
from benchlog.store.reader import Reader

PART = "quartz-16mhz-30ppm"
SCREEN_UP, SCREEN_GONE = "\x1b[?1049h", "\x1b[?1049l"
"""What a terminal is sent when a full-screen program comes and when it has left."""
TAKE_TERMINAL = (
    "import fcntl, os, signal, sys, termios\n"
    # whoever runs the tests may ignore hang-ups, and that would be inherited
    "signal.signal(signal.SIGHUP, signal.SIG_DFL)\n"
    "fcntl.ioctl(0, termios.TIOCSCTTY, 0)\n"
)
AT_ONCE = "from benchlog.cli import main; main()"


class Terminal:
    """A terminal of 100 x 30 with `benchlog` in it; `seen` is all that was drawn."""

    def __init__(
        self,
        line: Line,
        *words: str,
        take: str = TAKE_TERMINAL + AT_ONCE,
        afresh: bool = False,
        **environment: str,
    ) -> None:
        self.fd, theirs = os.openpty()
        fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 30, 100, 0, 0))
        self.process = Program(
            [sys.executable, "-c", take, *words],
            cwd=line.folder,
            env=line.environment() | {"TERM": "xterm-256color"} | environment,
            stdin=theirs,
            stdout=theirs,
            stderr=theirs,
            start_new_session=True,
            afresh=afresh,
        )
        os.close(theirs)
        self.seen = self.all = ""

    def look(self, wait_s: float = 0.05) -> None:
        if select.select([self.fd], [], [], wait_s)[0]:
            with contextlib.suppress(OSError):  # the other end is closed
                came = os.read(self.fd, 65_536).decode(errors="replace")
                self.seen, self.all = self.seen + came, self.all + came

    def until(self, text: str, within_s: float = 90.0) -> None:
        """Look until a text is drawn that is drawn in one piece."""
        limit = host_deadline(within_s)
        while text not in self.seen:
            gone = limit.passed or self.process.poll() is not None
            self.look()
            assert text in self.seen or not gone, f"no {text!r} in {self.seen!r}"

    def until_true(self, holds: Callable[[], bool]) -> None:
        """Look until something else is so: a terminal nobody reads would block."""
        limit = host_deadline(90.0)
        while not holds():
            assert not limit.passed, self.seen
            self.look()

    def look_for(self, real_s: float) -> None:
        """Look on for a while."""
        limit = host_deadline(real_s)
        self.until_true(lambda: limit.passed)

    def until_measuring(self, line: Line) -> None:
        """Look until the screen is up and some readings are in the database."""
        self.until(SCREEN_UP)
        self.until_true(lambda: readings(line) >= 3)

    def type(self, keys: str) -> None:
        self.seen = ""
        os.write(self.fd, keys.encode())

    def exit_code(self) -> int:
        limit = host_deadline(90.0)
        while self.process.poll() is None:
            assert not limit.passed, self.seen[-3000:]
            self.look()
        self.look()
        return self.process.returncode

    def hang_up(self) -> None:
        os.close(self.fd)
        self.fd = -1


@contextmanager
def terminal(
    line: Line,
    *words: str,
    take: str = TAKE_TERMINAL + AT_ONCE,
    afresh: bool = False,
    **environment: str,
) -> Iterator[Terminal]:
    opened = Terminal(line, *words, take=take, afresh=afresh, **environment)
    try:
        yield opened
    finally:
        opened.process.kill()
        opened.process.wait()
        if opened.fd >= 0:
            os.close(opened.fd)


def measure(bench: str, *more: str) -> tuple[str, ...]:
    return ("measure", "--bench", bench, "--part", PART, *more)


def readings(line: Line, run: int = 1) -> int:
    with Reader.open(line.db) as reader:
        return reader.count(run)


def runs(line: Line) -> list[Run]:
    if not line.db.exists():
        return []
    with Reader.open(line.db) as reader:
        return reader.runs()


def keepers(line: Line) -> list[Path]:
    """Return the processes of keepers that work in this folder.

    A process of the nursery has the environment of that one.
    """
    found = []
    for process in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError):
            command = (process / "cmdline").read_text(errors="replace")
            folder = (process / "cwd").readlink()
            if "benchlog.recorder" in command and folder == line.folder.resolve():
                found.append(process)
    return found


def ended_how(line: Line, run: int | None = None) -> str | None:
    if not line.db.exists():
        return None
    with Reader.open(line.db) as reader:
        latest = reader.run(run) if run else reader.latest_run()
        return latest.ended_how if latest else None


@pytest.mark.campaign  # every suite: with a second device, below
def test_asked_for_the_device_then_measured_then_figures(
    line: Line, bench: str
) -> None:
    with terminal(line, *measure(bench, "--readings", "15")) as screen:
        screen.until("Which device")
        screen.type("KX-0412\r")
        screen.until("readings reached")
        screen.until_true(lambda: ended_how(line) == "readings reached")
        screen.look_for(1.0)  # or it would ask what becomes of the run
        screen.type("q")
        assert screen.exit_code() == 0
        assert "KX-0412, run 1, position A, simulated" in screen.seen
        assert "PASS" in screen.seen
        assert SCREEN_GONE in screen.seen, "the terminal is given back"


def test_left_running_it_goes_on_and_can_be_watched(line: Line, bench: str) -> None:
    words = measure(bench, "--device", "d", "--for", "10h")
    with terminal(line, *words) as screen:
        screen.until_measuring(line)
        screen.type("q")
        screen.until("still going")
        screen.type("k")
        assert screen.exit_code() == 0
        said = screen.seen.rpartition(SCREEN_GONE)[2]
        assert "run 1 goes on" in said
        assert "verdict" not in said, "it is not over: no figures as if it were"
    with terminal(line, "watch") as screen:
        screen.until_measuring(line)
        screen.type("s")
        screen.until("Stop run 1")
        screen.type("s")
        screen.until_true(lambda: ended_how(line) == "stopped")
        screen.type("q")
        assert screen.exit_code() == 0


@pytest.mark.campaign  # every suite: `test_without_colour_nothing_is_lost` in screen/
def test_no_color_means_no_colour_and_no_grey(line: Line, bench: str) -> None:
    words = measure(bench, "--device", "d", "--readings", "15")
    with terminal(line, *words, NO_COLOR="1", COLORTERM="truecolor") as screen:
        screen.until("readings reached")
        screen.look_for(1.0)
        screen.type("h")
        screen.look_for(1.0)
        screen.type("\x03")
        screen.exit_code()
        drawn = re.findall(r"\x1b\[([0-9;:]*)m", screen.all)
    assert len(drawn) > 20
    # ISO 6429 (ECMA-48): 38 and 48 set colours of any kind, 30-37, 40-47 the eight;
    # 90-97 and 100-107 are their bright ones; 39 and 49 are the terminal's own.
    colours = {
        code
        for said in drawn
        for code in re.split("[;:]", said)
        if code.isdigit() and re.fullmatch("[34][0-8]|9[0-7]|10[0-7]", code)
    }
    assert colours == set()
    assert any("7" in said.split(";") for said in drawn), "reverse is no colour"


def test_dumb_terminal_gets_plain_lines(line: Line, bench: str) -> None:
    words = measure(bench, "--device", "d", "--readings", "4")
    with terminal(line, *words, TERM="dumb") as screen:
        assert screen.exit_code() in (0, 4)
        assert "\x1b" not in screen.all
        assert "readings reached" in screen.all
    with terminal(line, "watch", TERM="dumb") as screen:
        assert screen.exit_code() == 2
        assert "benchlog show" in screen.all
        assert "\x1b" not in screen.all


@pytest.mark.campaign  # keys and words: screen/test_sibling_runs.py
def test_two_positions_on_one_screen(line: Line) -> None:
    with line.bench("--offset-ppm", "3", "--positions", "2") as bench:
        both = ("--position", "A", "--device", "KX-A", "--for", "10h")
        more = ("--position", "B", "--device", "KX-B")
        with terminal(line, *measure(bench, *both, *more)) as screen:
            screen.until_measuring(line)
            screen.until("all positions")
            screen.until_true(lambda: readings(line, 2) >= 3)
            screen.type("1")
            screen.until("KX-B measuring")
            screen.type("ss")
            screen.until_true(lambda: ended_how(line, 1) == "stopped")
            screen.look_for(1.0)
            assert ended_how(line, 2) is None, "stop ends what is shown, no more"
            screen.type("\t")
            screen.until("run 2, measure")
            screen.type("\x03")
            screen.until("Run 2 is still going")
            screen.type("s")
            screen.exit_code()
            said = screen.seen.rpartition(SCREEN_GONE)[2]
            assert "KX-A, run 1" in said
            assert "KX-B, run 2" in said


def test_the_next_device_follows_with_the_same_settings(line: Line, bench: str) -> None:
    more = ("--readings", "10", "--operator", "J. Vael", "--note", "of KX-1")
    with terminal(line, *measure(bench, *more)) as screen:
        screen.until("Which device")
        screen.type("KX-1\r")
        screen.until("next device: scan its id")
        screen.type("KX-2\r")  # as a scanner sends it
        screen.until_true(lambda: ended_how(line, 1) is not None)
        screen.until_true(lambda: len(runs(line)) == 2)
        screen.until_true(lambda: ended_how(line, 2) == "readings reached")
        screen.until("next device: scan its id")
        screen.type("q")
        assert screen.exit_code() == 0
        said = screen.seen.rpartition(SCREEN_GONE)[2]
    assert "KX-1, run 1, position A, simulated" in said
    assert "KX-2, run 2" in said and "PASS" in said
    second, first = runs(line)
    assert (first.device, second.device) == ("KX-1", "KX-2")
    assert (second.part, second.position, second.max_readings, second.operator) == (
        first.part, first.position, first.max_readings, first.operator,
    )  # fmt: skip
    assert (first.note, second.note) == ("of KX-1", ""), "it was noted of the first"


@pytest.mark.campaign  # its key: screen/test_keys.py, the next run: above
def test_a_on_another_device_ends_the_run_and_goes_on_with_it(
    line: Line, bench: str
) -> None:
    words = ("soak", "--bench", bench, "--part", PART, "--device", "KX-1")
    with terminal(line, *words, "--for", "10h") as screen:
        screen.until_measuring(line)
        screen.type("a")
        screen.until("begin another")
        screen.look_for(0.5)
        assert ended_how(line, 1) is None, "nothing ends before the answer"
        screen.type("KX-2\r")
        screen.until_true(lambda: ended_how(line, 1) == "stopped")
        screen.until_true(lambda: len(runs(line)) == 2 and readings(line, 2) >= 3)
        screen.type("\x03")
        screen.until("Run 2 is still going")
        screen.type("s")
        screen.exit_code()
    assert [run.device for run in runs(line)] == ["KX-2", "KX-1"]


def test_a_closed_terminal_ends_the_run(line: Line, bench: str) -> None:
    words = measure(bench, "--device", "d", "--for", "10h")
    with terminal(line, *words) as screen:
        screen.until_measuring(line)
        screen.hang_up()
        wait_for(lambda: ended_how(line) == "terminal closed")


def test_a_run_told_to_go_on_outlives_its_terminal(line: Line, bench: str) -> None:
    words = measure(bench, "--device", "d", "--readings", "35", "--go-on")
    with terminal(line, *words) as screen:
        screen.until_measuring(line)
        screen.hang_up()
        wait_for(lambda: ended_how(line) == "readings reached")
