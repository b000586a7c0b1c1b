"""Modbus TCP: a table of holding registers, read and written by anybody on loopback.

The Modbus application protocol V1.1b3 and its messaging on TCP V1.0b, functions 3, 4, 6
and 16, from memory; held against an independent client in the tests.
"""

import contextlib
import socket
import struct
from typing import Final, Protocol

from benchlog.simulate.transports.socket_server import Server

# _READ, _ONE, _SEVERAL, _MOST_READ, _MOST_WRITTEN, _ILLEGAL_FUNCTION,
# _ILLEGAL_ADDRESS, _ILLEGAL_VALUE, _LONGEST: source: Modbus V1.1b3, from memory.
_READ: Final = frozenset({3, 4})
_ONE: Final = 6
_SEVERAL: Final = 16
_MOST_READ: Final = 125
_MOST_WRITTEN: Final = 123
_ILLEGAL_FUNCTION, _ILLEGAL_ADDRESS, _ILLEGAL_VALUE = 1, 2, 3
_HEADER: Final = struct.Struct(">HHHB")
_LONGEST: Final = 254  # of a unit byte and a protocol data unit


class Registers(Protocol):
    """What is behind the registers, 16 bits each."""

    def read(self, address: int) -> int:
        """Return a register. Raises KeyError where there is none."""
        ...

    def write(self, address: int, value: int) -> None:
        """Set a register. Raises KeyError where none may be set, ValueError."""
        ...


class ModbusServer(Server):
    """Serves one table of registers to any number of clients."""

    def __init__(self, registers: Registers) -> None:
        super().__init__()
        self._registers = registers

    @property
    def address(self) -> str:
        """Host and port, as a URL."""
        return f"modbus://127.0.0.1:{self.port}"

    def serve(self, client: socket.socket) -> None:
        """See Server."""
        # a file whose socket was closed meanwhile tells so with a ValueError
        with contextlib.suppress(ValueError), client.makefile("rb") as stream:
            while len(header := stream.read(_HEADER.size)) == _HEADER.size:
                transaction, protocol, length, unit = _HEADER.unpack(header)
                if protocol != 0 or not 2 <= length <= _LONGEST:
                    return  # no Modbus: the standard lets a server end it
                request = stream.read(length - 1)
                if len(request) < length - 1:
                    return
                said = answer(self._registers, request)
                head = _HEADER.pack(transaction, 0, len(said) + 1, unit)
                client.sendall(head + said)


def answer(registers: Registers, request: bytes) -> bytes:
    """Return the data unit that answers a request; an exception is one, too."""
    function, body = request[0], request[1:]
    try:
        if function in _READ:
            return _read(registers, function, body)
        if function == _ONE:
            address, value = struct.unpack(">HH", body)
            registers.write(address, value)
            return request
        if function == _SEVERAL:
            return _write(registers, function, body)
    except KeyError:
        return bytes((function | 0x80, _ILLEGAL_ADDRESS))
    except (ValueError, struct.error):
        return bytes((function | 0x80, _ILLEGAL_VALUE))
    return bytes((function | 0x80, _ILLEGAL_FUNCTION))


def _read(registers: Registers, function: int, body: bytes) -> bytes:
    begin, count = struct.unpack(">HH", body)
    if not 1 <= count <= _MOST_READ:
        raise ValueError(count)
    values = [registers.read(begin + k) for k in range(count)]
    return struct.pack(f">BB{count}H", function, 2 * count, *values)


def _write(registers: Registers, function: int, body: bytes) -> bytes:
    begin, count, size = struct.unpack(">HHB", body[:5])
    if not 1 <= count <= _MOST_WRITTEN or size != 2 * count or len(body) != 5 + size:
        raise ValueError(count)
    for k, value in enumerate(struct.unpack(f">{count}H", body[5:])):
        registers.write(begin + k, value)
    return struct.pack(">BHH", function, begin, count)
