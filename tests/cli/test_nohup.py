"""`nohup` has SIGHUP ignored (POSIX.1-2017, nohup): a closed terminal ends nothing."""

import json
import signal
import subprocess
import sys

import pytest
from cli.conftest import Line
from waiting import wait_for

from benchlog.clock import host_sleep

PART = "quartz-16mhz-30ppm"
NOHUP = (
    "import os, signal, sys\n"
    "signal.signal(signal.SIGHUP, signal.SIG_IGN)\n"
    "os.execv(sys.executable, [sys.executable, '-m', 'benchlog.cli', *sys.argv[1:]])\n"
)


def without_hang_up(line: Line, *words: str) -> "subprocess.Popen[str]":
    return subprocess.Popen(
        [sys.executable, "-c", NOHUP, *words],
        cwd=line.folder,
        env=line.environment(),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def test_a_measurement_outlives_its_terminal(line: Line, bench: str) -> None:
    """Before, it ended as "terminal closed"."""
    words = ["measure", "--bench", bench, "--part", PART, "--device", "d", "--json"]
    with without_hang_up(line, *words, "--readings", "40") as process:
        wait_for(lambda: line.db.exists() and line.readings() >= 3)
        process.send_signal(signal.SIGHUP)
        stdout, stderr = process.communicate(timeout=60)
    figures = json.loads(stdout)
    assert figures["ended_how"] == "readings reached", stderr
    assert process.returncode == 0


@pytest.mark.parametrize("what", [("--metrics", "0"), ("--serve", "--port", "0")])
def test_a_server_outlives_its_terminal(
    line: Line, bench: str, what: tuple[str, ...]
) -> None:
    line.run("measure", "--bench", bench, "--part", PART, "--device", "d",
             "--readings", "5")  # fmt: skip
    with without_hang_up(line, "watch", *what) as process:
        assert process.stderr is not None
        assert "http" in process.stderr.readline()
        process.send_signal(signal.SIGHUP)
        host_sleep(1.0)
        assert process.poll() is None
        process.send_signal(signal.SIGTERM)
        process.communicate(timeout=20)
