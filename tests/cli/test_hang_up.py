"""A terminal that goes away without SIGHUP: its screen ends, the keeper does not."""

import pytest
from cli.conftest import Line
from cli.test_terminal import (
    AT_ONCE,
    ended_how,
    keepers,
    measure,
    readings,
    terminal,
)
from waiting import wait_for

UNTOLD = (
    "import fcntl, signal, termios\n"
    "signal.signal(signal.SIGHUP, signal.SIG_IGN)\n"  # as `nohup` does
)
UNTOLD_IN_ITS_TERMINAL = UNTOLD + "fcntl.ioctl(0, termios.TIOCSCTTY, 0)\n"


@pytest.mark.parametrize(
    "take", [pytest.param(UNTOLD, marks=pytest.mark.campaign), UNTOLD_IN_ITS_TERMINAL]
)
def test_a_watch_whose_terminal_is_gone_ends_in_seconds(
    line: Line, bench: str, take: str
) -> None:
    words = measure(bench, "--device", "d", "--for", "10h", "--no-screen")
    with line.started(*words):
        wait_for(lambda: line.readings() >= 3)
        with terminal(line, "watch", take=take + AT_ONCE) as screen:
            screen.until_measuring(line)
            screen.look_for(1.0)
            screen.hang_up()
            screen.process.wait(timeout=10)
        before = readings(line)
        wait_for(lambda: readings(line) > before + 5)
        assert ended_how(line) is None


def test_a_screen_that_owns_a_run_ends_with_it(line: Line, bench: str) -> None:
    words = measure(bench, "--device", "d", "--for", "10h")
    with terminal(line, *words, take=UNTOLD + AT_ONCE) as screen:
        screen.until_measuring(line)
        screen.hang_up()
        screen.process.wait(timeout=15)
        wait_for(lambda: ended_how(line) is not None)
        wait_for(lambda: not keepers(line))
