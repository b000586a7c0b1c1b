"""A small VXI-11 server: ONC RPC (RFC 5531) over TCP, record marking, XDR.

The core and the abort program are served on one port; no portmapper is needed by a
client that is given the port.
"""

import itertools
import socket
import struct
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

from benchlog.simulate.instruments.station import Station
from benchlog.simulate.transports.hislip_server import read_exactly
from benchlog.simulate.transports.socket_server import Server, shut
from benchlog.simulate.transports.vxi11_link import ReadRequest, Vxi11Link

# _CORE, _ABORT, _END_FLAG, _TERM_FLAG, _REASON_COUNT, _OK and those with them: source:
# VXI-11 (1995), from memory.
_CORE: Final = 0x0607AF
_ABORT: Final = 0x0607B0
_MOST_BYTES: Final = 1 << 20  # our rule: bounds what comes from outside
_END_FLAG: Final = 8
_TERM_FLAG: Final = 128
_REASON_COUNT, _REASON_CHAR, _REASON_END = 1, 2, 4
_MAV: Final = 16  # source: IEEE 488.2, status byte

_OK, _NO_DEVICE, _NO_LINK, _NOT_SUPPORTED, _TIMEOUT = 0, 3, 4, 8, 15


class Xdr:
    """Reads XDR values; raises struct.error when they are not there."""

    def __init__(self, data: bytes) -> None:
        self._data, self._at = data, 0

    def number(self) -> int:
        """Return an unsigned integer."""
        (value,) = struct.unpack_from("!I", self._data, self._at)
        self._at += 4
        return int(value)

    def opaque(self) -> bytes:
        """Return counted bytes."""
        length = self.number()
        if length > len(self._data) - self._at:
            raise struct.error("counted bytes run past the end")
        data = self._data[self._at : self._at + length]
        self._at += (length + 3) & ~3
        return data


def numbers(*values: int) -> bytes:
    """Pack unsigned integers."""
    return struct.pack(f"!{len(values)}I", *values)


def opaque(data: bytes) -> bytes:
    """Pack counted bytes."""
    return numbers(len(data)) + data + b"\0" * (-len(data) % 4)


class Vxi11Server(Server):
    """Serves one station as `inst0`."""

    def __init__(self, station: Station) -> None:
        super().__init__()
        self.station = station
        self._links: dict[int, Vxi11Link] = {}
        self._ids = itertools.count(1)

    @property
    def address(self) -> str:
        """The VISA address, with the port in place of a portmapper."""
        return f"TCPIP::127.0.0.1,{self.port}::inst0::INSTR"

    def stop(self) -> None:
        """See Server; whoever waits for an answer is woken first."""
        for link in tuple(self._links.values()):
            link.close()
        super().stop()

    def serve(self, client: socket.socket) -> None:
        """See Server; links live as long as their connection."""
        caller = _Caller(client)
        try:
            while (record := _record(client)) is not None:
                answer, hang_up = self._call(record, caller)
                if answer:
                    client.sendall(_marked(answer))
                if hang_up:
                    shut(client)
                    return
        except struct.error:
            pass  # not RPC: hang up
        finally:
            for number in caller.links:
                self._end(number)

    def _call(self, record: bytes, caller: "_Caller") -> tuple[bytes, bool]:
        """Carry out one call; return its reply and whether to hang up."""
        xdr = Xdr(record)
        xid, kind, version = xdr.number(), xdr.number(), xdr.number()
        program, _, procedure = xdr.number(), xdr.number(), xdr.number()
        for _ in ("credentials", "verifier"):
            xdr.number()
            xdr.opaque()
        if kind != 0 or version != 2:
            return b"", True
        if program not in (_CORE, _ABORT):
            return numbers(xid, 1, 0, 0, 0, 1), False  # program unavailable
        result, hang_up = self._result(program, procedure, xdr, caller)
        if result is None:
            return numbers(xid, 1, 0, 0, 0, 3), False  # procedure unavailable
        return numbers(xid, 1, 0, 0, 0, 0) + result, hang_up

    def _result(
        self, program: int, procedure: int, xdr: Xdr, caller: "_Caller"
    ) -> tuple[bytes | None, bool]:
        if procedure == 0:
            return b"", False
        if program == _ABORT:
            return self._clear(xdr), False
        if procedure == 10:
            return self._create(xdr, caller), False
        if procedure == 12:
            return self._read(xdr, caller.client)
        simple = self._simple().get(procedure)
        return (simple(xdr) if simple else None), False

    def _simple(self) -> dict[int, Callable[[Xdr], bytes]]:
        def done(_: Xdr) -> bytes:
            return numbers(_OK)

        return {
            11: self._write,
            13: self._status,
            14: done,  # trigger
            15: self._clear,
            16: done,  # remote
            17: done,  # local
            18: done,  # lock
            19: done,  # unlock
            20: done,  # enable service request
            22: lambda _: numbers(_NOT_SUPPORTED) + opaque(b""),
            23: self._destroy,
            25: lambda _: numbers(_NOT_SUPPORTED),
            26: lambda _: numbers(_NOT_SUPPORTED),
        }

    def _create(self, xdr: Xdr, caller: "_Caller") -> bytes:
        xdr.number(), xdr.number(), xdr.number()
        if not xdr.opaque().lower().startswith(b"inst0"):
            return numbers(_NO_DEVICE, 0, 0, 0)
        number = next(self._ids)
        self._links[number] = Vxi11Link(self.station)
        caller.links.add(number)
        return numbers(_OK, number, self.port, _MOST_BYTES)

    def _write(self, xdr: Xdr) -> bytes:
        link = self._links.get(xdr.number())
        xdr.number(), xdr.number()
        flags, data = xdr.number(), xdr.opaque()
        if link is None:
            return numbers(_NO_LINK, 0)
        link.write(data, end=bool(flags & _END_FLAG))
        return numbers(_OK, len(data))

    def _read(self, xdr: Xdr, client: socket.socket) -> tuple[bytes, bool]:
        link = self._links.get(xdr.number())
        most, timeout_ms, _, flags, last = (xdr.number() for _ in range(5))
        if link is None:
            return numbers(_NO_LINK, 0) + opaque(b""), False
        ends = bytes((last & 0xFF,)) if flags & _TERM_FLAG else b""
        wanted = ReadRequest(min(most, _MOST_BYTES), timeout_ms / 1e3, ends)
        piece = link.read(wanted, lambda: self.gone(client))
        if piece is None:
            return numbers(_TIMEOUT, 0) + opaque(b""), False
        reason = _REASON_END if piece.end else 0
        reason |= _REASON_CHAR if piece.last else 0
        reason |= _REASON_COUNT if len(piece.data) == most else 0
        return numbers(_OK, reason) + opaque(piece.data), piece.cut

    def _status(self, xdr: Xdr) -> bytes:
        link = self._links.get(xdr.number())
        if link is None:
            return numbers(_NO_LINK, 0)
        waiting = _MAV if link.waiting else 0
        return numbers(_OK, self.station.status_byte() | waiting)

    def _clear(self, xdr: Xdr) -> bytes:
        link = self._links.get(xdr.number())
        if link is None:
            return numbers(_NO_LINK)
        link.clear()
        return numbers(_OK)

    def _destroy(self, xdr: Xdr) -> bytes:
        return numbers(_OK if self._end(xdr.number()) else _NO_LINK)

    def _end(self, number: int) -> bool:
        link = self._links.pop(number, None)
        if link is not None:
            link.close()
        return link is not None


@dataclass(frozen=True, slots=True)
class _Caller:
    """One connection and the links it opened."""

    client: socket.socket
    links: set[int] = field(default_factory=set)


def _record(client: socket.socket) -> bytes | None:
    """Read one record of fragments; None when the client has left."""
    record = bytearray()
    last = False
    while not last:
        head = read_exactly(client, 4)
        if head is None:
            return None
        (mark,) = struct.unpack("!I", head)
        last, length = bool(mark >> 31), mark & 0x7FFFFFFF
        if length + len(record) > _MOST_BYTES + 1024:
            return None
        fragment = read_exactly(client, length)
        if fragment is None:
            return None
        record += fragment
    return bytes(record)


def _marked(record: bytes) -> bytes:
    return struct.pack("!I", 0x80000000 | len(record)) + record
