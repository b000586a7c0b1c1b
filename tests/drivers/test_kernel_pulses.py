"""Pulses that the kernel stamps (RFC 2783), by its requests as linux/pps.h has them."""

import errno
import struct
from contextlib import contextmanager
from pathlib import Path

import pytest
from benchlog_drivers._edges import Stamper
from benchlog_drivers._edges_pps import DATA, FETCH, GET_CAPABILITIES, KernelPulses
from benchlog_drivers.pulse_edge import PulseEdge

from benchlog.clock import HostClock, host_deadline, host_sleep
from benchlog.errors import LostError, RefusedError

CLOCK = HostClock()


@contextmanager
def stamping(source):
    stamper = Stamper(source, "here")
    try:
        yield stamper
    finally:
        stamper.close()


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
