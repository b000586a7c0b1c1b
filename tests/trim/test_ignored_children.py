"""Whoever starts us may ignore SIGCHLD: how a program ended is known all the same.

POSIX.1-2017, `exec`: ignored signals stay so; `wait`: where SIGCHLD is ignored, how a
child ended is lost (Python's subprocess then tells 0).
"""

import signal
import subprocess
from functools import partial

import pytest
from trim.line_scene import a_line
from trim.test_line import with_burn


def ignore_children() -> None:
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)


@pytest.fixture
def line(tmp_path):
    with a_line(tmp_path) as made:
        made.popen = partial(subprocess.Popen, preexec_fn=ignore_children)
        yield made


def test_a_burn_that_failed_is_told_though_children_are_ignored(line):
    """Before, its exit code was 0: as if the code had been burned."""
    with_burn(line, command=["/bin/sh", "-c", "exit 3", "{code}"])
    _, _, err = line.trim([2], "--burn", "--yes")
    assert "the burn failed: its program: exit code 3" in err
    assert {run.ended_how for run in line.runs()} == {"not burned"}
