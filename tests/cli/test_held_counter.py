"""A counter that repeats its last value is not believed, whoever wrote it.

The counter here is a program of its own, and knows nothing of the project. Its seed is
the 7 in its text.
"""

import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np
import pytest
from cli.conftest import Line
from tiers import seldom

from benchlog.model import Flag
from benchlog.store.reader import Reader

COUNTER = """
import itertools, random, socket, sys, time

pace_s, hold, digits = float(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
random.seed(7)
served = socket.create_server(("127.0.0.1", 0))
print(served.getsockname()[1], flush=True)
line, _ = served.accept()
value, gate = "", "1"
for number in itertools.count():
    heard = b""
    while not heard.endswith(b"\\n"):
        got = line.recv(1)
        if not got:
            sys.exit()
        heard += got
    for word in heard.decode().strip().split(";"):
        if "IDN?" in word:
            line.sendall(b"SOMEBODY,HELD COUNTER,1,1.0\\n")
        elif "ERR" in word:
            line.sendall(b'0,"No error"\\n')
        elif "READ?" in word or "FETC" in word:
            time.sleep(pace_s)
            if not value or (hold and number % hold == 0):
                value = f"{16e6 * (1 + 9e-6) + random.gauss(0, 0.05):.{digits}f}"
            line.sendall(value.encode() + b"\\n")
        elif word.endswith("?"):
            line.sendall(gate.encode() + b"\\n")
        elif "APER" in word:
            gate = word.split()[-1]
"""
BENCH = """
[instruments.counter]
driver = "scpi-counter"
address = "TCPIP::127.0.0.1::{port}::SOCKET"
gate_s = {gate_s}
timebase_ppm = 0.05
[[position]]
name = "A"
frequency = "counter"
"""


@contextmanager
def counter(
    line: Line, pace_s: float, gate_s: float, hold: int = 0, digits: int = 4
) -> "Iterator[str]":
    words = [sys.executable, "-c", COUNTER, str(pace_s), str(hold), str(digits)]
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            port = process.stdout.readline().strip()
            path = line.folder / "held.toml"
            path.write_text(BENCH.format(port=port, gate_s=gate_s))
            yield str(path)
        finally:
            process.kill()


def measured(line: Line, bench: str, *words: str) -> tuple[int, dict]:
    part = ("--part", "quartz-16mhz-30ppm", "--device", "Q-1", "--json")
    done = line.run("measure", "--bench", bench, *part, *words, BENCHLOG_TIME_SCALE="1")
    assert done.stdout, done.stderr
    return done.returncode, json.loads(done.stdout)


def events(line: Line, run: int) -> list[str]:
    shown = json.loads(line.run("show", str(run), "--json").stdout)
    return [f"{one['kind']}: {one['text']}" for one in shown["events"]]


def test_readings_that_come_faster_than_their_gate_are_refused(line: Line) -> None:
    with counter(line, pace_s=0.005, gate_s=1.0) as bench:
        code, found = measured(line, bench, "--for", "3s")
    assert code == 4 and found["verdict"] == "undecided"
    assert found["readings"] <= 4  # of some hundreds; before, all of them counted
    told = events(line, found["run"])
    assert any("its gate is 1 s: the counter repeats itself" in one for one in told)
    assert any("values more came faster than their gate allows" in one for one in told)


def test_a_counter_that_holds_its_value_at_its_own_pace_decides_nothing(
    line: Line,
) -> None:
    with counter(line, pace_s=0.05, gate_s=0.05) as bench:
        code, found = measured(line, bench, "--readings", "40")
    assert (code, found["verdict"], found["conformance"]) == (4, "undecided", None)
    assert found["readings"] == 40
    assert found["reasons"][0].startswith("the counter repeats itself: the same value")
    assert any(one.startswith("suspect: the counter") for one in events(line, 1))
    # whoever looks at it later comes to the same
    shown = json.loads(line.run("show", "1", "--json").stdout)
    assert shown["verdict"] == "undecided"


@pytest.mark.campaign  # every suite: analysis/test_repeats.py, and the one above
def test_a_counter_that_gives_each_value_three_times_decides_nothing(
    line: Line,
) -> None:
    with counter(line, pace_s=0.02, gate_s=0.02, hold=3) as bench:
        _, found = measured(line, bench, "--readings", "90")
    assert found["verdict"] == "undecided"
    assert "the counter repeats itself" in found["reasons"][0]


@pytest.mark.parametrize("digits", [0, seldom(1), seldom(4)])
def test_an_honest_counter_is_believed_however_coarse(line: Line, digits: int) -> None:
    """With 1 Hz digits all 40 values may be alike: 0.06 ppm, and nothing is wrong."""
    with counter(line, pace_s=0.02, gate_s=0.02, hold=1, digits=digits) as bench:
        code, found = measured(line, bench, "--readings", "40")
    assert (code, found["verdict"]) == (0, "pass"), found["reasons"]


def test_in_a_lot_nothing_counts_while_the_device_before_is_still_shown(
    line: Line,
) -> None:
    (line.folder / "ids.txt").write_text("K-1\nK-2\n")
    plan = ("--lot-size", "10", "--sample", "2", "--accept", "0")
    with counter(line, pace_s=0.02, gate_s=0.02, hold=27) as bench:
        words = ("--bench", bench, "--part", "quartz-16mhz-30ppm", "--lot", "L1")
        line.run(
            "inspect", *words, *plan, "--ids", "ids.txt", "--max-readings", "10",
            BENCHLOG_TIME_SCALE="1",
        )  # fmt: skip
    with Reader.open(line.db) as reader:
        first, second = (reader.columns_after(run) for run in (1, 2))
    stale = second.frequency_hz == first.frequency_hz[-1]
    assert stale[0]  # the counter had not measured anew yet
    still = stale[: int(np.argmin(stale))]
    assert np.all(second.flags[: len(still)] & Flag.SETTLING)
    counted = second.frequency_hz[(second.flags & Flag.SETTLING) == 0]
    assert first.frequency_hz[-1] not in counted


@pytest.mark.parametrize(
    ("hold", "advised"),
    [
        # 0.05 Hz of 16 MHz is 0.003 ppm at 1 s: a tenth of 0.1 ppm is read, no shorter
        (1, "0.1 ppm: 1 s"),
        (0, None),  # it repeats itself to 0.1 mHz: that shows nothing
    ],
)
def test_check_bench_advises_by_what_readings_show_not_by_their_digits(
    line: Line, hold: int, advised: str | None
) -> None:
    with counter(line, pace_s=0.02, gate_s=1.0, hold=hold) as bench:
        done = line.run("check-bench", bench, "--json")
    (row,) = json.loads(done.stdout)
    if advised is None:
        assert row["advice"] == []
        assert "do not show what this counter resolves" in row["seen"]
    else:
        assert row["advice"][-1].split(",")[0] == advised
        assert "10 readings" in row["seen"]
