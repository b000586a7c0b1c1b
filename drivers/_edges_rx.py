"""Pulses on the receive line: every byte that arrives is a pulse."""

import select
from typing import Any, Final

from benchlog.clock import Clock
from benchlog.errors import LostError

from ._edges import EdgeSource, Stamp, stamp_now

_SLICE_S: Final = 0.05  # our rule: a thread is told to end by then
_FAULTS: Final = (OSError, TypeError, ValueError)


class ByteEdges(EdgeSource):
    """Bytes of an open pySerial port, stamped as they arrive.

    Bytes that arrive together are counted, and stamped once. A pulse that holds the
    line low for longer than a byte arrives as a zero byte (a break).
    """

    def __init__(self, port: Any, address: str, clock: Clock) -> None:
        self._port, self._address, self._clock = port, address, clock
        self._number = 0
        try:
            self._fd: int | None = port.fileno()
        except (OSError, ValueError, AttributeError):
            self._fd = None  # a network port: pySerial's own thread reads it
        where = "on this host" if self._fd is not None else "over the network"
        self.how = f"a byte is a pulse, received {where}"
        self.jitter = (
            "about 0.1 ms, now and then 1 to 3 ms; a USB adapter adds its latency timer"
            if self._fd is not None
            else "what the network and its server add"
        )

    def next(self) -> Stamp | None:
        """See `EdgeSource.next`."""
        try:
            return self._next()
        except _FAULTS as error:
            raise LostError(
                f"the port {self._address} is gone ({error}); check cable and power",
                address=self._address,
            ) from error

    def _next(self) -> Stamp | None:
        first = b""
        if self._fd is None:
            first = bytes(self._port.read(1))
            if not first:
                return None
        elif not select.select([self._fd], [], [], _SLICE_S)[0]:
            return None
        mono_ns, utc_ns = stamp_now(self._clock)
        waiting = self._port.in_waiting
        raw = first + (bytes(self._port.read(waiting)) if waiting else b"")
        if not raw:
            raise OSError("hung up")  # ready to read and nothing there
        self._number += len(raw)
        return Stamp(mono_ns, utc_ns, self._number, raw[:16])

    def close(self) -> None:
        """See `EdgeSource.close`; the port is its owner's."""
