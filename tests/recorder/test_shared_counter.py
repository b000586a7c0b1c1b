"""Whose turn it is at a counter that several processes share."""

import os
import signal
import subprocess
import sys
from itertools import pairwise

import pytest
from warm_program import Program

from benchlog.clock import host_deadline, host_sleep
from benchlog.model import InstrumentSpec
from benchlog.recorder.instruments.shared_counter import SharedCounter

TAKER = """
import os, sys
from pathlib import Path
from benchlog.clock import host_sleep
from benchlog.recorder.instruments.shared_counter import SharedCounter

log, times, name, *others = Path(sys.argv[1]), int(sys.argv[2]), *sys.argv[3:]
turns = SharedCounter("counter", 2)

def tell(text):
    with log.open("a") as told:
        told.write(f"{name} {text}\\n")

def waits(other):
    pids = [line.split()[2] for line in log.read_text().splitlines()
            if line.startswith(f"{other} is ")]
    rows = [line.split() for line in Path("/proc/locks").read_text().splitlines()]
    waiting = [row[5] for row in rows if row[1:3] == ["->", "FLOCK"]]
    return pids and pids[-1] in ("over", *waiting)

tell(f"is {os.getpid()}")
for _ in range(times):
    with turns:
        tell("in")
        host_sleep(0.002)
        while not all(waits(other) for other in others):
            host_sleep(0.002)
        tell("out")
tell("is over")
"""
"""Takes turns; keeps each until the others that are named wait, or take no more."""


@pytest.fixture
def takers(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    started = []

    def start(name, *others, times=20):
        words = [str(tmp_path / "log"), str(times), name, *others]
        process = Program([sys.executable, "-c", TAKER, *words])
        started.append(process)
        return process

    yield start
    for process in started:
        process.kill()
        process.wait()


def test_two_processes_take_turns_strictly_once_both_are_there(takers, tmp_path):
    both = takers("a", "b"), takers("b", "a")
    assert [one.wait(60) for one in both] == [0, 0]
    lines = (tmp_path / "log").read_text().splitlines()
    told = [line for line in lines if " is " not in line]
    turns = [line.split()[0] for line in told[::2]]
    assert told == [f"{who} {way}" for who in turns for way in ("in", "out")]
    last = min(len(turns) - 1 - turns[::-1].index(who) for who in "ab")
    first = max(turns.index(who) for who in "ab")
    meeting = turns[first : last + 1]
    assert len(turns) == 40 and len(meeting) > 30
    assert all(a != b for a, b in pairwise(meeting))


def test_a_process_that_dies_in_its_turn_lets_go(takers, tmp_path):
    first = takers("a", times=100_000)
    limit = host_deadline(30)
    while not (tmp_path / "log").exists():
        assert not limit.passed
        host_sleep(0.01)
    while True:  # until it is stopped within a turn, not between two
        os.kill(first.pid, signal.SIGSTOP)
        if (tmp_path / "log").read_text().endswith("in\n"):
            break
        os.kill(first.pid, signal.SIGCONT)
        assert not limit.passed
        host_sleep(0.002)
    second = takers("b", times=3)
    with pytest.raises(subprocess.TimeoutExpired):
        second.wait(1)
    first.kill()
    assert second.wait(30) == 0


def test_who_is_alone_waits_for_nobody(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    with SharedCounter("counter", 1), SharedCounter("counter", 1):
        assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    ("address", "options", "shared"),
    [
        ("TCPIP::192.0.2.1::5025::SOCKET", {"input": 2}, True),
        ("TCPIP::192.0.2.1::5025::SOCKET", {}, False),
        ("USB0::1::2::SN::INSTR", {"input": 2}, False),
    ],
)
def test_what_is_an_input_among_others(address, options, shared):
    spec = InstrumentSpec(
        name="c",
        driver="scpi-counter",
        address=address,
        options=options,
        quantity="frequency",
    )
    assert spec.measured_in_turns is shared
