"""Pulses from every kind of source: lines behind the seam, loop, pty, kernel calls."""

import errno
import os
import struct
import threading
import tty
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
from benchlog_drivers._edges_pps import DATA, FETCH, GET_CAPABILITIES, KernelPulses
from benchlog_drivers.pulse_edge import PulseEdge

from benchlog.clock import HostClock, host_deadline, host_sleep
from benchlog.errors import InstrumentError, LostError, RefusedError, SilentError
from benchlog.model import Flag
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
        assert not stamper._thread.is_alive()
    finally:
        os.close(fd)


# --- the kernel's pulse interface -----------------------------------------------------


class PulseDevice:
    """Answers the kernel's requests as linux/pps.h lays them out."""

    def __init__(self, mode: int = 0x1101) -> None:
        self.mode, self.pulses = mode, [(0, 0)]
        self.gone = False

    def __call__(self, fd: int, request: int, data: bytearray) -> int:
        if self.gone:
            raise OSError(errno.ENODEV, "no such device")
        if request == GET_CAPABILITIES:
            struct.pack_into("i", data, 0, self.mode)
            return 0
        assert request == FETCH
        assert len(data) == 64  # sizeof(struct pps_fdata)
        timeout_s, timeout_ns = struct.unpack_from("=qi", data, 48)
        if len(self.pulses) > 1:
            self.pulses.pop(0)
        elif timeout_ns or timeout_s:
            host_sleep(0.01)
            raise OSError(errno.ETIMEDOUT, "nothing came")
        sequence, wall_ns = self.pulses[0]
        struct.pack_into("=II", data, 0, sequence, 7)
        struct.pack_into("=qiI", data, 8, wall_ns // 10**9, wall_ns % 10**9, 0)
        return 0


def test_request_numbers_are_those_of_the_kernel_header():
    # compiled against linux/pps.h on a 64-bit machine
    if struct.calcsize("P") == 8:
        assert (FETCH, GET_CAPABILITIES) == (0xC00870A4, 0x800870A3)
    assert DATA.size == 64


def test_kernel_stamps_are_brought_to_the_monotonic_clock(tmp_path):
    device = PulseDevice()
    path = tmp_path / "pps0"
    path.touch()
    source = KernelPulses(str(path), rising=True, clock=CLOCK, ioctl=device)
    with stamping(source) as stamper:
        mono_ns, utc_ns = CLOCK.mono_ns(), CLOCK.utc_ns()
        device.pulses += [(1, utc_ns - 150_000_000), (3, utc_ns)]
        first, second = (stamper.next(host_deadline(2.0)) for _ in range(2))
    assert (first.number, second.number) == (1, 3)
    assert abs(first.mono_ns - (mono_ns - 150_000_000)) < 2_000_000
    assert second.mono_ns - first.mono_ns == pytest.approx(150e6, abs=1e6)


def test_a_pulse_device_that_goes_or_lacks_the_edge(tmp_path):
    device = PulseDevice()
    path = str(tmp_path / "pps0")
    with pytest.raises(LostError, match="pps0"):
        KernelPulses(path, rising=True, clock=CLOCK, ioctl=device)
    Path(path).touch()
    with pytest.raises(RefusedError, match="other one"):
        KernelPulses(path, rising=False, clock=CLOCK, ioctl=device)
    with stamping(KernelPulses(path, rising=True, clock=CLOCK, ioctl=device)) as it:
        device.gone = True
        with pytest.raises(LostError):
            it.next(host_deadline(2.0))


def test_a_plain_file_is_no_pulse_device(tmp_path):
    path = tmp_path / "pps0"
    path.touch()
    driver = PulseEdge(str(path), {"line": "kernel"}, CLOCK)
    with pytest.raises(RefusedError, match="no pulse device"):
        driver.open()


# --- the receiver's fix --------------------------------------------------------------

GOOD = b"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A\r\n"
VOID = b"$GPRMC,000004,V,3714.6284,N,12146.9181,W,0.000,0.0,290697,15.4,E*4C\r\n"


@contextmanager
def ptys(count: int):
    """Yield (file of our side, path of theirs) for some pseudo-terminals."""
    pairs = [os.openpty() for _ in range(count)]
    for _, theirs in pairs:
        tty.setraw(theirs)
    try:
        yield [(ours, os.ttyname(theirs)) for ours, theirs in pairs]
    finally:
        for pair in pairs:
            for fd in pair:
                os.close(fd)


@pytest.mark.parametrize(
    ("said", "flag"),
    [
        (GOOD, Flag.NONE),
        (VOID, Flag.NO_FIX),
        (b"", Flag.NO_FIX),
        (GOOD.replace(b"*6A", b"*6B"), Flag.NO_FIX),
        (b"$GPZDA,201530.00,04,07,2002,00,00*60\r\n", Flag.NO_FIX),
        (b"\xff\x00 noise\n" + GOOD, Flag.NONE),
    ],
)
def test_a_pulse_counts_only_when_the_sentence_after_it_says_fix(said, flag):
    with ptys(2) as [(pulse, pulse_path), (data, data_path)]:
        options = {
            "line": "rx",
            "interval_s": 0.5,
            "data_address": data_path,
            "fix_within_s": 0.2,
        }
        driver = PulseEdge(pulse_path, options, CLOCK)
        driver.open()
        try:
            os.write(data, GOOD)  # what was said before the pulse vouches for nothing
            host_sleep(0.05)
            os.write(pulse, b"P")
            host_sleep(0.05)
            os.write(data, said)
            assert driver.read().flags == flag
        finally:
            driver.close()


def test_each_of_several_pulses_has_its_own_sentence():
    with ptys(2) as [(pulse, pulse_path), (data, data_path)]:
        options = {"line": "rx", "data_address": data_path, "fix_within_s": 5.0}
        driver = PulseEdge(pulse_path, options, CLOCK)
        driver.open()
        try:
            for said in (GOOD, VOID, GOOD):
                os.write(pulse, b"P")
                host_sleep(0.03)
                os.write(data, said)
                host_sleep(0.03)
            flags = [driver.read().flags for _ in range(3)]
        finally:
            driver.close()
    assert flags == [Flag.NONE, Flag.NO_FIX, Flag.NONE]


def test_pulses_and_sentences_do_not_share_a_receive_line():
    driver = PulseEdge("/dev/null", {"line": "rx", "nmea": True}, CLOCK)
    with pytest.raises(RefusedError, match="data_address"):
        driver.open()


def test_it_says_how_it_stamps():
    with PtyPeer(Talker("1", terminator=b"")) as peer:
        driver = PulseEdge(peer.address, {"line": "rx", "u_s": 1e-7}, CLOCK)
        driver.open()
        identity = driver.identify()
        driver.close()
    assert "receive line" in identity.text
    assert "ms" in identity.settings["jitter"]
    assert identity.settings["u_s"] == "1e-07 (stated)"
