"""How far off the operating system thinks its clock is."""

import ctypes
from pathlib import Path

import pytest

from benchlog.model import Bench, InstrumentSpec, PositionSpec
from benchlog.recorder.run import run_start
from benchlog.recorder.run.run_start import host_error_s
from benchlog.verdict.run.pulse_timing import ASSUMED_HOST_PPM, pulse_timebase

BENCH = Bench(
    name="b",
    instruments={"d": InstrumentSpec(name="d", driver="pulse-edge", address="/dev/x")},
    positions=(PositionSpec(name="A", frequency="d"),),
)
UNSYNCHRONISED = 0x0040  # STA_UNSYNC, linux/timex.h


class Kernel:
    """Answers adjtimex as linux/timex.h lays it out."""

    def __init__(self, state: int, status: int, esterror: int, maxerror: int) -> None:
        self._said = (state, status, esterror, maxerror)

    def adjtimex(self, found: object) -> int:
        # private: ctypes keeps what byref() points at there
        timex = found._obj  # type: ignore[attr-defined]
        state, timex.status, timex.esterror, timex.maxerror = self._said
        assert timex.modes == 0  # it only asks
        return state


@pytest.mark.parametrize(
    ("kernel", "seconds"),
    [
        (Kernel(0, 1, 250, 9_000), 250e-6),
        (Kernel(0, 1, 0, 9_000), 9e-3),  # nobody estimates: the maximum
        (Kernel(5, UNSYNCHRONISED, 16, 16_000_000), None),
        (Kernel(-1, 0, 0, 0), None),
        (Kernel(0, 0, 0, 0), None),
    ],
)
def test_what_the_kernel_says(monkeypatch, kernel, seconds):
    monkeypatch.setattr(ctypes, "CDLL", lambda name: kernel)
    found = host_error_s()
    assert found == (None if seconds is None else pytest.approx(seconds))


def test_the_size_is_that_of_the_kernels_structure():
    # struct timex is 208 bytes on 64-bit Linux (linux/timex.h); room for it must do
    # private: the size the kernel will write
    assert ctypes.sizeof(run_start._Timex) >= 208


def test_this_computer_is_asked_and_lives():
    error_s = host_error_s()
    assert error_s is None or 0 < error_s < 1e4
    assert Path("/proc").exists() or error_s is None


def test_it_is_in_the_budget_of_a_run_without_a_reference():
    (position,) = BENCH.positions
    synchronised = pulse_timebase(BENCH, position, 2e-3)
    assert (synchronised.status, synchronised.u_s) == ("stated", 2e-3)
    assert "by its own estimate 2.00 ms off" in synchronised.text
    alone = pulse_timebase(BENCH, position, None)
    assert alone.status == "assumed"
    assert alone.u_ppm == pytest.approx(ASSUMED_HOST_PPM / 3**0.5)
