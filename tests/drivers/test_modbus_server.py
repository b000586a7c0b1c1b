"""`modbus-chamber` against pymodbus's own server, over TCP and as RTU on a serial line.

The chamber is a table of registers that an independent client of pymodbus changes, as
the chamber's own controller would.
"""

import asyncio
import contextlib
import os
import select
import socket
import threading
import tty
from dataclasses import replace

import pytest
from pymodbus import FramerType
from pymodbus.client import ModbusTcpClient
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from benchlog.catalogue import load_dialect
from benchlog.clock import HostClock
from benchlog.errors import GarbledError, InstrumentError, RefusedError
from benchlog.registry import load

UNIT = 7
SET_POINT, MEASURED, RUNNING, FAULTS, RATE = range(5)
BEGUN = [230, 231, 0, 0, 50]  # 23.0 C set, 23.1 C measured, stopped, 5 C a minute


def registers():
    table = SimData(0, values=list(BEGUN), datatype=DataType.REGISTERS)
    return SimDevice(UNIT, simdata=[table])


class Served:
    """A server of pymodbus in a loop of its own."""

    def __init__(self, make):
        self._make, self._ready = make, threading.Event()
        self._thread = threading.Thread(
            target=lambda: asyncio.run(self._serve()), daemon=True
        )

    async def _serve(self):
        self._loop, self._over = asyncio.get_running_loop(), asyncio.Event()
        self.server = self._make()
        await self.server.listen()
        self._ready.set()
        await self._over.wait()
        await self.server.shutdown()

    def __enter__(self):
        self._thread.start()
        assert self._ready.wait(10)
        return self

    def __exit__(self, *_):
        self._loop.call_soon_threadsafe(self._over.set)
        self._thread.join(10)


@pytest.fixture
def tcp():
    with Served(
        lambda: ModbusTcpServer(registers(), address=("127.0.0.1", 0))
    ) as served:
        port = served.server.transport.sockets[0].getsockname()[1]
        yield f"modbus://127.0.0.1:{port}"


@contextlib.contextmanager
def serial_pair(folder):
    """Two pseudo-terminals as the two ends of one cable."""
    ends = [os.openpty() for _ in range(2)]
    names = []
    for number, (_, slave) in enumerate(ends):
        tty.setraw(slave)
        names.append(str(folder / f"end{number}"))
        os.symlink(os.ttyname(slave), names[-1])
    masters, over = [master for master, _ in ends], threading.Event()

    def carry():
        while not over.is_set():
            for one in select.select(masters, [], [], 0.05)[0]:
                os.write(masters[1 - masters.index(one)], os.read(one, 256))

    thread = threading.Thread(target=carry, daemon=True)
    thread.start()
    try:
        yield names
    finally:
        over.set()
        thread.join(5)
        for end in ends:
            for fd in end:
                os.close(fd)


@pytest.fixture
def rtu(tmp_path):
    def server(port):
        return ModbusSerialServer(
            registers(), framer=FramerType.RTU, port=port, baudrate=9600
        )

    with serial_pair(tmp_path) as (here, there), Served(lambda: server(there)):
        yield here


def chamber(address, **options):
    given = {"low": -40.0, "high": 120.0, "unit_id": UNIT, **options}
    dialect = load_dialect("modbus-chamber")
    if "/" in address and "://" not in address:
        given["baud"] = 9600
    return load("modbus-chamber")(address, {"dialect": dialect, **given}, HostClock())


@contextlib.contextmanager
def opened(made):
    made.open()
    try:
        yield made
    finally:
        made.close()


def by_itself(address, register, *values):
    """Let the chamber's controller change its registers."""
    host, port = address.removeprefix("modbus://").split(":")
    with ModbusTcpClient(host, port=int(port)) as client:
        answer = client.write_registers(register, list(values), device_id=UNIT)
        assert not answer.isError()


def held(address, register):
    host, port = address.removeprefix("modbus://").split(":")
    with ModbusTcpClient(host, port=int(port)) as client:
        answer = client.read_holding_registers(register, count=1, device_id=UNIT)
        return answer.registers[0]


def test_a_chamber_is_set_read_back_started_and_let_go(tcp):
    with opened(chamber(tcp, safe=25.0, rate_per_min=3.0)) as made:
        assert held(tcp, RATE) == 30
        assert (made.read_back(), made.read().value) == (23.0, 23.1)
        made.set(-20.5)
        assert held(tcp, SET_POINT) == 2**16 - 205
        assert made.read_back() == -20.5
        made.switch(True)
        assert held(tcp, RUNNING) == 1
        assert not made.at_rest()
        by_itself(tcp, MEASURED, 2**16 - 204)
        assert made.at_rest() and made.read().value == pytest.approx(-20.4)
        made.release()
        assert (held(tcp, SET_POINT), held(tcp, RUNNING)) == (250, 0)


def test_fault_bits_are_told_in_the_words_of_the_dialect(tcp):
    with opened(chamber(tcp)) as made:
        by_itself(tcp, FAULTS, 0b11)
        with pytest.raises(RefusedError, match=r"door is open; its limiter has tripp"):
            made.read()
        by_itself(tcp, FAULTS, 0)
        assert made.read().value == 23.1


def test_what_is_out_of_bounds_never_reaches_a_register(tcp):
    with opened(chamber(tcp)) as made:
        for value in (120.1, -40.1, float("nan")):
            with pytest.raises(RefusedError):
                made.set(value)
        assert held(tcp, SET_POINT) == 230


def test_a_unit_or_register_that_is_not_there_is_an_error_of_ours(tcp):
    with pytest.raises(InstrumentError):
        chamber(tcp, unit_id=9).open()
    dialect = load_dialect("modbus-chamber")

    wrong = {**dialect.registers}
    wrong["measured"] = replace(wrong["measured"], address=600)
    with opened(chamber(tcp, dialect=replace(dialect, registers=wrong))) as made:
        with pytest.raises((RefusedError, GarbledError), match=r"600|measured"):
            made.read()
        assert made.read_back() == 23.0


def test_a_chamber_on_a_serial_line(rtu):
    with opened(chamber(rtu)) as made:
        made.set(61.5)
        made.switch(True)
        assert (made.read_back(), made.read().value) == (61.5, 23.1)
        made.release()


class Liar:
    """Answers over TCP; the first question honestly, then by frames of our own."""

    def __init__(self, lie):
        self.lie = lie
        self.server = socket.create_server(("127.0.0.1", 0))
        self.address = f"modbus://127.0.0.1:{self.server.getsockname()[1]}"
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self):
        with contextlib.suppress(OSError):
            link, _ = self.server.accept()
            with link:
                lies = False
                while len(head := link.recv(7, socket.MSG_WAITALL)) == 7:
                    size = int.from_bytes(head[4:6], "big") - 1
                    asked = link.recv(size, socket.MSG_WAITALL)
                    told = self.lie(asked) if lies else b"\x03\x02\x00\xe6"
                    lies = True
                    link.sendall(
                        head[:4] + (len(told) + 1).to_bytes(2, "big") + head[6:] + told
                    )

    def close(self):
        self.server.close()


@pytest.mark.parametrize(
    ("lie", "order"),
    [
        (lambda asked: b"\x04\x02\x00\xe7", "read_back"),
        (lambda asked: b"\x06" + asked[1:3] + b"\x00\xe7", "read_back"),
        (lambda asked: b"\x03\x04\x00\xe7\x00\xe7", "read_back"),
        (lambda asked: b"\x06" + asked[1:3] + b"\x00\xe7", "set"),
        (lambda asked: b"\x06\x00\x63" + asked[3:], "set"),
        (lambda asked: b"\x03\x02" + asked[3:], "set"),
    ],
)
def test_an_answer_to_another_question_is_none(lie, order):
    """A read answered by function 4 or 6 was a value, and any echo of a write fit."""
    with contextlib.closing(Liar(lie)) as peer, opened(chamber(peer.address)) as made:
        words = (50.0,) if order == "set" else ()
        with pytest.raises(GarbledError, match="answered for set_point"):
            getattr(made, order)(*words)
