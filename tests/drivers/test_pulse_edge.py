"""Pulses from every kind of source: lines behind the seam, loop, pty, kernel calls."""

import errno
import os
import threading
from contextlib import contextmanager
from pathlib import Path

import pytest
import serial
from benchlog_drivers._edges import MAX_WAITING, Stamp, Stamper
from benchlog_drivers._edges_modem import (
    KernelLines,
    PolledEdges,
    WaitedEdges,
    Wanted,
    _catch_signals,
)
from benchlog_drivers.pulse_edge import PulseEdge

from benchlog.clock import HostClock, host_deadline, host_sleep
from benchlog.errors import InstrumentError, LostError, RefusedError, SilentError
from benchlog.testing import DriverContract, Peer, PtyPeer, Talker
from benchlog.testing.faults import CLOSED, SILENT

CLOCK = HostClock()
RISING = Wanted("dcd", True, "here")
FALLING = Wanted("dcd", False, "here")


class TestPulseEdgePty(DriverContract):
    """The whole contract, but for values: here they count."""

    driver = PulseEdge
    options = {"line": "rx", "interval_s": 0.02}
    value = 1.0
    faults = (SILENT, CLOSED)
    malformed = ()
    nowhere = "/dev/not-a-port"

    def peer(self) -> Peer:
        return PtyPeer(Talker("1", terminator=b""))

    def test_malformed_line_is_no_sample(self) -> None:
        """There are no lines: every byte is a pulse."""

    def test_fault(self, fault) -> None:
        with self.opened() as (peer, driver):
            driver.read()
            peer.misbehave(fault)
            with pytest.raises(fault.raises):
                for _ in range(20):
                    driver.read()
            assert reopened(driver) >= 1


def reopened(driver: PulseEdge) -> float:
    """Open again as the keeper does until a pulse comes."""
    for _ in range(20):
        driver.close()
        host_sleep(0.1)
        try:
            driver.open()
            return driver.read().value
        except InstrumentError:
            continue
    raise AssertionError("it never came back")


# --- modem lines behind the seam ---------------------------------------------------


class Line:
    """A modem line that a test moves; counts its changes as the kernel does."""

    def __init__(self, *, counts: bool = True) -> None:
        self._changed = threading.Condition()
        self._counts, self._count, self._active = counts, 0, False
        self._seen = 0
        self.broken: OSError | None = None

    def move(self, *states: bool) -> None:
        with self._changed:
            for state in states:
                self._count += state != self._active
                self._active = state
            self._changed.notify_all()

    def wait(self) -> None:
        with self._changed:
            came = self._changed.wait_for(
                lambda: self._count != self._seen or self.broken, 0.05
            )
            self._seen = self._count
        if self.broken:
            raise self.broken
        if not came:
            raise InterruptedError

    def changes(self) -> int | None:
        return self._count if self._counts else None

    def active(self) -> bool:
        return self._active

    def close(self) -> None:
        self.closed = True


@contextmanager
def stamping(source):
    stamper = Stamper(source, "here")
    try:
        yield stamper
    finally:
        stamper.close()


def numbers(stamper: Stamper, count: int) -> list[int]:
    return [stamper.next(host_deadline(2.0)).number for _ in range(count)]


def settle() -> None:
    host_sleep(0.02)


def test_rising_edges_of_a_waited_line():
    line = Line()
    with stamping(WaitedEdges(line, RISING, CLOCK)) as stamper:
        for _ in range(3):
            before_ns = CLOCK.mono_ns()
            line.move(True)
            stamp = stamper.next(host_deadline(2.0))
            assert before_ns <= stamp.mono_ns <= CLOCK.mono_ns()
            line.move(False)
            settle()
        with pytest.raises(SilentError, match="no pulse at here"):
            stamper.next(host_deadline(0.1))
    assert line.closed


def test_falling_edges_of_a_waited_line():
    line = Line()
    with stamping(WaitedEdges(line, FALLING, CLOCK)) as stamper:
        for _ in range(3):
            line.move(True)
            settle()
            line.move(False)
            settle()
        assert numbers(stamper, 3) == [1, 2, 3]


def test_a_pulse_that_was_over_before_the_wait_returned_is_one_edge():
    line = Line()
    with stamping(WaitedEdges(line, RISING, CLOCK)) as stamper:
        line.move(True, False)
        assert numbers(stamper, 1) == [1]
        line.move(True, False)
        assert numbers(stamper, 1) == [2]


def test_pulses_that_went_by_unstamped_show_in_the_number():
    line = Line()
    with stamping(WaitedEdges(line, RISING, CLOCK)) as stamper:
        line.move(True, False)
        assert numbers(stamper, 1) == [1]
        line.move(True, False, True, False, True, False)
        assert numbers(stamper, 1) == [4]


def test_without_counters_the_state_decides():
    line = Line(counts=False)
    source = WaitedEdges(line, RISING, CLOCK)
    assert "without change counters" in source.how
    with stamping(source) as stamper:
        line.move(True)
        assert numbers(stamper, 1) == [1]
        line.move(False)
        settle()
        line.move(True)
        assert numbers(stamper, 1) == [2]


def test_ring_counts_every_change_as_a_pulse():
    line = Line()
    with stamping(WaitedEdges(line, Wanted("ri", True, "here"), CLOCK)) as stamper:
        line.move(True)
        line_numbers = numbers(stamper, 1)
        line.move(False)
        assert [*line_numbers, *numbers(stamper, 1)] == [1, 2]


def test_a_port_that_goes_away_is_lost():
    line = Line()
    with stamping(WaitedEdges(line, RISING, CLOCK)) as stamper:
        line.broken = OSError(errno.EIO, "gone")
        for _ in range(2):  # it stays true for whoever asks again
            with pytest.raises(LostError, match="here"):
                stamper.next(host_deadline(2.0))


def test_stamps_wait_bounded_and_their_numbers_tell():
    class Fast(WaitedEdges):
        def next(self) -> Stamp | None:
            self._number += 1
            return Stamp(self._number, 0, self._number, b"")

    with stamping(Fast(Line(), RISING, CLOCK)) as stamper:
        deadline = host_deadline(5.0)
        # private: how many the source saw, not how many were read
        while stamper.source._number < MAX_WAITING + 100 and not deadline.passed:
            host_sleep(0.01)
        assert stamper.next(host_deadline(1.0)).number > 1


@pytest.mark.parametrize(("line", "out"), [("cts", "rts"), ("dsr", "dtr")])
def test_a_loop_port_is_polled(line, out):
    port = serial.serial_for_url("loop://", timeout=0)
    setattr(port, out, False)
    wanted = Wanted(line, True, "loop://")
    source = PolledEdges(lambda: getattr(port, line), wanted, CLOCK, 0.001)
    with stamping(source) as stamper:
        for _ in range(3):
            setattr(port, out, True)
            settle()
            setattr(port, out, False)
            settle()
        assert numbers(stamper, 3) == [1, 2, 3]
    port.close()


def test_a_pty_has_no_modem_lines():
    with PtyPeer(Talker("1", terminator=b"")) as peer:
        driver = PulseEdge(peer.address, {"line": "dcd"}, CLOCK)
        with pytest.raises(RefusedError, match="no modem lines"):
            driver.open()


def test_a_real_wait_in_the_kernel_ends_when_closed():
    path = Path("/dev/ttyS0")
    try:
        fd = os.open(path, os.O_RDWR | os.O_NONBLOCK | os.O_NOCTTY)
    except OSError:
        pytest.skip("no serial port here")
    try:
        _catch_signals()
        try:
            source = WaitedEdges(KernelLines(fd, "dcd"), RISING, CLOCK)
        except OSError:
            pytest.skip("this port has no modem lines")
        stamper = Stamper(source, str(path))
        host_sleep(0.1)
        began_ns = CLOCK.mono_ns()
        stamper.close()
        assert (CLOCK.mono_ns() - began_ns) / 1e9 < 1.0
        # private: a thread that lives on has no outside
        assert not stamper._thread.is_alive()
    finally:
        os.close(fd)


def test_it_says_how_it_stamps():
    with PtyPeer(Talker("1", terminator=b"")) as peer:
        driver = PulseEdge(peer.address, {"line": "rx", "u_s": 1e-7}, CLOCK)
        driver.open()
        identity = driver.identify()
        driver.close()
    assert "receive line" in identity.text
    assert "ms" in identity.settings["jitter"]
    assert identity.settings["u_s"] == "1e-07 (stated)"
    assert identity.settings["priority"] in (
        "before other programs",
        "that of any program",
    )


def test_a_line_that_is_polled_never_goes_before_others():
    # it wakes a thousand times a second: it could starve a core
    source = PolledEdges(lambda: False, RISING, CLOCK, 1e-3)
    with stamping(source) as stamper:
        assert not stamper.first
