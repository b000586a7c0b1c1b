"""Outputs that are closed, full or unread: the work is done, and the end comes."""

import os
import select
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from waiting import wait_for
from warm_program import PROGRAM, Program, run

from benchlog.store.reader import Reader

from .conftest import Line

COUNTS = "".join(f"12000000.{number % 10}\n" for number in range(20))


def in_shell(line: Line, words: str, ending: str) -> "subprocess.CompletedProcess[str]":
    """Run a command with a redirection of the shell behind it."""
    if ending == "2>/dev/full":  # as the shell does
        with Path("/dev/full").open("w") as full:
            return run(
                [*PROGRAM, *words.split()],
                cwd=line.folder,
                env=line.environment(),
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=full,
                text=True,
                timeout=60,
            )
    program = " ".join(PROGRAM)
    return subprocess.run(
        ["/bin/sh", "-c", f"exec {program} {words} {ending}"],
        cwd=line.folder,
        env=line.environment(),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


@pytest.mark.parametrize(
    ("ending", "shows"),
    [
        ("2>&-", False),
        ("2>/dev/full", True),
        pytest.param("2>&-", True, marks=pytest.mark.campaign),  # an interpreter more
    ],
)
def test_without_standard_error_the_work_is_done(
    line: Line, ending: str, shows: bool
) -> None:
    if "full" in ending and not Path("/dev/full").exists():
        pytest.skip("no /dev/full here")
    (line.folder / "counts.txt").write_text(COUNTS)
    words = "import counts.txt --nominal-hz 12e6 --gate-s 1 --device one"
    done = in_shell(line, words, ending)
    assert done.returncode in (0, 4), done.stdout
    with Reader.open(line.db) as reader:
        assert reader.count(1) == 20
    if shows:
        done = in_shell(line, "show 1", ending)
        assert "readings   20" in done.stdout


def test_the_end_waits_for_no_reader(line: Line, bench: str) -> None:
    """SIGTERM, with standard output and error as pipes that are full."""
    reading, writing = os.pipe()
    os.set_blocking(writing, False)
    try:
        while True:
            os.write(writing, b"x" * 4_096)
    except BlockingIOError:
        os.set_blocking(writing, True)
    words = ("measure", "--bench", bench, "--part", "quartz-16mhz-30ppm")
    process = Program(
        [*PROGRAM, *words, "--device", "d", "--for", "1h", "--no-screen"],
        cwd=line.folder,
        env=line.environment(),
        stdin=subprocess.DEVNULL,
        stdout=writing,
        stderr=writing,
    )
    try:
        wait_for(line.readings)
        process.send_signal(signal.SIGTERM)
        assert process.wait(20.0) in (0, 3, 4)
        assert not select.select((), (writing,), (), 0)[1]  # still full
        with Reader.open(line.db) as reader:
            assert reader.run(1).ended_how
    finally:
        process.kill()
        process.wait()
        os.close(reading)
        os.close(writing)


ASKED_TO_END = """
import signal, time
from benchlog.cli.standard_streams import let_go_once_ended
with let_go_once_ended():
    signal.getsignal(signal.SIGTERM)(signal.SIGTERM, None)
class Last:
    def __del__(self):
        time.sleep(0.6)
last = Last()
"""


def test_a_slow_end_is_not_cut_short() -> None:
    """What looks at the outputs is over before the interpreter lets go of signals."""
    done = subprocess.run([sys.executable, "-c", ASKED_TO_END], timeout=60, check=False)
    assert done.returncode == 0


def test_a_list_whose_reader_went_away_ends_as_other_tools_do(line: Line) -> None:
    """`show | head -1`: nothing was wrong, so the code is that of SIGPIPE, not 1."""
    (line.folder / "counts.txt").write_text(COUNTS)
    words = "import counts.txt --nominal-hz 12e6 --gate-s 1 --device one"
    assert line.run(*words.split()).returncode in (0, 4)
    reading, writing = os.pipe()
    os.close(reading)
    with os.fdopen(writing, "wb") as gone:
        done = run(
            [*PROGRAM, "show", "1"],
            cwd=line.folder,
            env=line.environment(),
            stdin=subprocess.DEVNULL,
            stdout=gone,
            stderr=subprocess.PIPE,
            timeout=60,
            check=False,
        )
    assert (done.returncode, done.stderr) == (128 + signal.SIGPIPE, b"")
