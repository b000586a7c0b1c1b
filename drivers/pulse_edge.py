"""`pulse-edge`: pulses of a reference or a device, each with the time it came.

On a serial port's modem lines or its receive line, through the kernel's pulse interface
(RFC 2783), or over `rfc2217://`. A value is one pulse; it is the pulse's number as the
line or the kernel counts them, so that a jump shows pulses that went by unstamped. With
the receiver's NMEA 0183 sentences a pulse is given out once a sentence after it says
that there is a fix; without that it is marked, and never counts as reference.
"""

import contextlib
from collections.abc import Mapping
from functools import partial
from typing import Any, Final

from benchlog.clock import Deadline
from benchlog.driver import Driver, Option
from benchlog.driver_kit.serial_line import SERIAL_OPTIONS, open_port, serial_url
from benchlog.driver_kit.settings import number_of
from benchlog.errors import LostError, RefusedError
from benchlog.masking import masked
from benchlog.model import (
    EDGE,
    Flag,
    Identity,
    Sample,
)
from benchlog.units import NS_PER_S

from ._edges import EdgeSource, Stamper
from ._edges_modem import LINES, Wanted, modem_edges
from ._edges_pps import KernelPulses
from ._edges_rx import ByteEdges
from ._fixes import Fixes

_PORT_WANTED: Final = (
    "a device such as /dev/ttyUSB0 or a pySerial URL such as rfc2217://HOST:PORT"
)
_MAY_MISS: Final = 3  # our rule: see below
"""Pulses that may be missing in a row before the line counts as silent."""


class PulseEdge(Driver):
    """A pulse train; every pulse is a value."""

    quantity = EDGE
    unit = EDGE
    options = (
        Option(
            "line",
            str,
            "dcd",
            "where the pulses come in",
            choices=(*LINES, "rx", "kernel"),
        ),
        Option(
            "edge",
            str,
            "rising",
            "which edge counts (on-time edge); on rx the byte",
            choices=("rising", "falling"),
        ),
        Option("interval_s", float, 1.0, "seconds between pulses", low=1e-3, high=1e4),
        Option(
            "poll_s",
            float,
            None,
            "look at a modem line this often instead of waiting for it, in s",
            low=1e-5,
            high=1.0,
        ),
        Option(
            "u_s",
            float,
            None,
            "standard uncertainty of a pulse as its source states it, in s",
            low=0.0,
            high=1.0,
        ),
        Option("nmea", bool, False, "the receiver's sentences come on the same port"),
        Option(
            "data_address", str, None, "the port on which its sentences come instead"
        ),
        Option(
            "fix_within_s",
            float,
            None,
            "how long after a pulse its sentence may come; the interval if not given",
            low=1e-3,
            high=1e4,
        ),
        *SERIAL_OPTIONS,
    )

    _stamper: Stamper | None = None
    _fixes: Fixes | None = None
    _ports: tuple[Any, ...] = ()

    @property
    def read_limit_s(self) -> float:
        """See `Driver.read_limit_s`; some pulses may be missing."""
        return (1 + _MAY_MISS) * self._interval_s + self._fix_within_s

    @classmethod
    def address_wanted(cls, address: str, settings: Mapping[str, object]) -> str:
        """See `Driver.address_wanted`."""
        if settings.get("line") == "kernel":
            return "" if address.startswith("/") else "a device such as /dev/pps0"
        return "" if serial_url(address) else _PORT_WANTED

    def open(self) -> None:
        """See `Driver.open`."""
        self.close()
        try:
            self._open()
        except BaseException:
            self.close()
            raise

    def identify(self) -> Identity:
        """See `Driver.identify`; what only pulses does not say who it is."""
        source, first = self._opened().source, self._opened().first
        text = f"pulses on {self._what} at {self.address} ({source.how})"
        settings = {
            "quantity": EDGE,
            "interval_s": f"{self._interval_s:g} (stated)",
            "stamps": source.how,
            "jitter": source.jitter,
            "priority": "before other programs" if first else "that of any program",
        }
        if self.settings["u_s"] is not None:
            settings["u_s"] = f"{number_of(self.settings, 'u_s'):g} (stated)"
        if self._fixes is not None:
            settings["fix from"] = masked(
                str(self.settings["data_address"] or self.address)
            )
        return Identity(
            text,
            model=f"pulses on {self._what}",
            serial=masked(self.address),
            settings=settings,
        )

    def read(self) -> Sample:
        """See `Driver.read`; returns the next pulse, however long ago it came."""
        wait_s = (1 + _MAY_MISS) * self._interval_s
        stamp = self._opened().next(self.clock.deadline(wait_s, 2.0))
        flags = Flag.NONE
        if self._fixes is not None and not self._fixes.after(
            stamp.mono_ns, self._until(stamp.mono_ns)
        ):
            flags = Flag.NO_FIX
        return Sample(
            float(stamp.number),
            EDGE,
            stamp.mono_ns,
            stamp.utc_ns,
            raw=stamp.raw,
            flags=flags,
        )

    def close(self) -> None:
        """See `Driver.close`."""
        stamper, self._stamper = self._stamper, None
        fixes, self._fixes = self._fixes, None
        ports, self._ports = self._ports, ()
        if fixes is not None:
            fixes.close()
        if stamper is not None:
            stamper.close()
        for port in ports:
            port.close()

    # --- details ----------------------------------------------------------------------

    @property
    def _interval_s(self) -> float:
        return number_of(self.settings, "interval_s", 1.0)

    @property
    def _fix_within_s(self) -> float:
        with_fix = self.settings["nmea"] or self.settings["data_address"]
        within_s = number_of(self.settings, "fix_within_s", self._interval_s)
        return within_s if with_fix else 0.0

    @property
    def _line(self) -> str:
        return str(self.settings["line"])

    @property
    def _what(self) -> str:
        if self._line in LINES:
            return self._wanted.text
        return "the receive line" if self._line == "rx" else "the kernel's interface"

    @property
    def _wanted(self) -> Wanted:
        return Wanted(self._line, self.settings["edge"] == "rising", self.address)

    def _open(self) -> None:
        if self._line == "rx" and self.settings["nmea"]:
            raise RefusedError(
                f"{self.address} cannot bring pulses and sentences on one receive "
                "line; name the sentences' port with data_address",
                address=self.address,
            )
        port = None if self._line == "kernel" else self._port(self.address)
        self._stamper = Stamper(self._source(port), self.address)
        data = self.settings["data_address"]
        if data is not None:
            port = self._port(str(data))
            again = partial(self._receiver_again, port)
            self._fixes = Fixes(_receiver(port), self.clock, again)
        elif self.settings["nmea"] and port is not None:
            self._fixes = Fixes(_receiver(port), self.clock, None)  # pulses end, too

    def _source(self, port: Any) -> EdgeSource:
        if port is None:
            rising = self._wanted.rising
            return KernelPulses(self.address, rising=rising, clock=self.clock)
        if self._line == "rx":
            return ByteEdges(port, self.address, self.clock)
        poll = self.settings["poll_s"]
        poll_s = None if poll is None else number_of(self.settings, "poll_s")
        return modem_edges(port, self._wanted, self.clock, poll_s)

    def _port(self, address: str) -> Any:
        url = serial_url(address)
        if url is None:
            raise LostError(
                f"{address} is no serial port; give {_PORT_WANTED}",
                address=address,
            )
        port = open_port(address, url, self.settings)
        self._ports = (*self._ports, port)
        return port

    def _receiver_again(self, lost: Any) -> Any:
        """Open the port of the sentences anew; in their thread. Raises LostError."""
        with contextlib.suppress(OSError, TypeError, ValueError):
            lost.close()
        port = self._port(str(self.settings["data_address"]))
        if self._fixes is None:  # closed meanwhile
            port.close()
            raise LostError("closed meanwhile", address=self.address)
        return _receiver(port)

    def _until(self, stamped_ns: int) -> Deadline:
        """Return until when a sentence may vouch for a pulse."""
        passed_s = (self.clock.mono_ns() - stamped_ns) / NS_PER_S
        return self.clock.deadline(max(0.0, self._fix_within_s - passed_s))

    def _opened(self) -> Stamper:
        if self._stamper is None:
            raise LostError(
                f"{self.address} is not open; open it first", address=self.address
            )
        return self._stamper


def _receiver(port: Any) -> Any:
    """Return what reads an open port: one byte wakes it, the rest comes along."""

    def receive() -> bytes:
        first = bytes(port.read(1))
        more = port.in_waiting if first else 0
        return first + (bytes(port.read(more)) if more else b"")

    return receive
