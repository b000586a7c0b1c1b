"""Progress: only in a terminal, only after a second, gone at the end."""

import io

from benchlog.cli.progress import Progress
from benchlog.clock import VirtualClock


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_shown_in_a_terminal_after_a_second_and_wiped() -> None:
    stream, clock = Terminal(), VirtualClock()
    with Progress("reading run 7", 4_000, stream, clock) as progress:
        progress.add(1_000)
        assert stream.getvalue() == ""
        clock.sleep(1.05)
        progress.add(1_000)
        assert stream.getvalue() == "\rreading run 7: 2,000 of 4,000 (50%)"
    assert stream.getvalue().endswith("\r" + " " * 35 + "\r")


def test_silent_without_a_terminal() -> None:
    stream, clock = io.StringIO(), VirtualClock()
    with Progress("reading", 10, stream, clock) as progress:
        clock.sleep(1.05)
        progress.add(5)
    assert stream.getvalue() == ""
