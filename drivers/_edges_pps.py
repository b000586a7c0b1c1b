"""Pulses that the kernel itself stamps: the Linux form of RFC 2783 (`/dev/pps*`).

The request numbers carry the size of a pointer, as the kernel's header passes pointer
types; the structures are those of linux/pps.h on any 64-bit machine. Stamps are wall
clock time; they are brought to the monotonic clock by how old they are when fetched, so
a stepped wall clock moves at most the pulse that it falls on.
"""

import errno
import fcntl
import os
import struct
from collections.abc import Callable
from typing import Final

from benchlog.clock import Clock, host_moment
from benchlog.errors import LostError, RefusedError
from benchlog.units import NS_PER_S

from ._edges import EdgeSource, Stamp

_POINTER: Final = struct.calcsize("P")
# GET_CAPABILITIES, FETCH, CAPTURE_ASSERT, CAPTURE_CLEAR: source: linux/pps.h.
GET_CAPABILITIES: Final = 0x8000_70A3 | _POINTER << 16
FETCH: Final = 0xC000_70A4 | _POINTER << 16
CAPTURE_ASSERT: Final = 0x1
CAPTURE_CLEAR: Final = 0x2
DATA: Final = struct.Struct("=IIqiIqiIi4xqiI")
"""pps_fdata: assert and clear sequence, assert time, clear time (s, ns, flags), mode,
time-out (s, ns, flags); 64 bytes."""
_TIMEOUT_NS: Final = 250_000_000  # our rule: a thread is told to end by then

Ioctl = Callable[[int, int, bytearray], object]


class KernelPulses(EdgeSource):
    """Pulses of one pulse device. Raises LostError, RefusedError when made."""

    how = "stamped by the kernel (RFC 2783)"
    jitter = "some microseconds; behind a USB adapter up to 1 ms"

    def __init__(
        self, path: str, *, rising: bool, clock: Clock, ioctl: Ioctl = fcntl.ioctl
    ) -> None:
        self._path, self._clock, self._ioctl = path, clock, ioctl
        self._rising, self._sequence = rising, 0
        try:
            self._fd = os.open(path, os.O_RDWR | os.O_CLOEXEC)
        except OSError as error:
            raise self._lost(error) from error
        try:
            self._check_capability()
            self._sequence = self._fetch(0)[0]
        except BaseException:
            self.close()
            raise

    def next(self) -> Stamp | None:
        """See `EdgeSource.next`."""
        sequence, stamped_ns = self._fetch(_TIMEOUT_NS)
        if sequence == self._sequence:
            return None
        self._sequence = sequence
        now = host_moment()
        old_ns = now.utc_ns - stamped_ns
        # bench time may run faster than the host's, and so must the age
        pace = self._clock.real_s(1.0)
        bench_ns = round(old_ns / pace) if pace > 0 else old_ns
        raw = f"{sequence} {stamped_ns / NS_PER_S:.9f}".encode()
        mono_ns, utc_ns = self._clock.mono_ns(), self._clock.utc_ns()
        return Stamp(mono_ns - bench_ns, utc_ns - bench_ns, sequence, raw)

    def close(self) -> None:
        """See `EdgeSource.close`."""
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1

    def _fetch(self, timeout_ns: int) -> tuple[int, int]:
        """Return number and wall time of the newest pulse; waits for one at most so."""
        data = bytearray(DATA.pack(*[0] * 9, 0, timeout_ns, 0))
        try:
            self._ioctl(self._fd, FETCH, data)
        except OSError as error:
            if error.errno not in (errno.ETIMEDOUT, errno.EINTR):
                raise self._lost(error) from error
            return self._sequence, 0
        found = DATA.unpack(data)
        second, ns = found[2:4] if self._rising else found[5:7]
        return found[0 if self._rising else 1], second * NS_PER_S + ns

    def _check_capability(self) -> None:
        mode = bytearray(4)
        try:
            self._ioctl(self._fd, GET_CAPABILITIES, mode)
        except OSError as error:
            raise RefusedError(
                f"{self._path} is no pulse device of the kernel ({error}); give "
                "/dev/pps0 or another line",
                address=self._path,
            ) from error
        wanted = CAPTURE_ASSERT if self._rising else CAPTURE_CLEAR
        if not struct.unpack("i", mode)[0] & wanted:
            raise RefusedError(
                f"{self._path} does not stamp this edge; name the other one with "
                'edge = "rising" or "falling"',
                address=self._path,
            )

    def _lost(self, why: object) -> LostError:
        return LostError(
            f"cannot read pulses at {self._path} ({why}); is the kernel's pulse "
            "interface set up, and yours to use?",
            address=self._path,
        )
