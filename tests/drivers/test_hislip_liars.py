"""HiSLIP servers that lie on either channel: an error in time, and no memory.

Message types and the header of 16 octets are those of IVI-6.1.
"""

import contextlib
import socket
import struct
import threading

import pytest

from benchlog.clock import HostClock, host_deadline
from benchlog.driver_kit.visa import VisaLink
from benchlog.errors import InstrumentError

HEADER = "!2sBBIQ"
INITIALIZE, DATA, DATA_END, MAX_SIZE, ASYNC = 0, 6, 7, 15, 17
MEGABYTE = 2**20


def message(kind, parameter=0, payload=b"", length=None):
    told = len(payload) if length is None else length
    return struct.pack(HEADER, b"HS", kind, 0, parameter, told) + payload


def without_end(piece):
    while True:
        yield piece


ANSWERS = {
    "empty pieces": lambda number: without_end(message(DATA, number) * 100),
    "of another query": lambda number: without_end(message(DATA_END, 5, b"x" * 999)),
    "of another query, cut": lambda number: [message(DATA_END, 5, b"x", 2**40), None],
    "no end": lambda number: without_end(message(DATA, number, b"1" * 65_536)),
}


class Liar:
    def __init__(self, answer=None, most=MEGABYTE):
        self.answer, self.most = answer, most
        self.server = socket.create_server(("127.0.0.1", 0))
        port = self.server.getsockname()[1]
        self.address = f"TCPIP::127.0.0.1::hislip0,{port}::INSTR"
        self.start(self.accept)

    def start(self, what, *told):
        threading.Thread(target=what, args=told, daemon=True).start()

    def accept(self):
        with contextlib.suppress(OSError):
            while True:
                self.start(self.serve, self.server.accept()[0])

    def serve(self, client):
        with contextlib.suppress(OSError), client, client.makefile("rb") as heard:
            while head := heard.read(16):
                _, kind, _, number, length = struct.unpack(HEADER, head)
                heard.read(length)
                if kind == INITIALIZE:
                    client.sendall(message(INITIALIZE + 1, 0x0100_0001))
                elif kind == ASYNC:
                    client.sendall(message(ASYNC + 1))
                elif kind == MAX_SIZE:
                    told = struct.pack("!Q", self.most)
                    client.sendall(message(MAX_SIZE + 1, 0, told))
                elif kind == DATA_END and self.answer is not None:
                    for piece in self.answer(number):
                        if piece is None:
                            return
                        client.sendall(piece)


def asked(liar):
    """Ask once; whatever comes of it, a driver's error is what may be raised."""
    link = VisaLink(liar.address, b"\n", "@py", {})
    try:
        link.send(b"READ?")
        return link.read_line(host_deadline(0.3), "READ?")
    finally:
        link.close()


@pytest.mark.parametrize(
    "liar",
    [
        *(pytest.param({"answer": ANSWERS[name]}, id=name) for name in ANSWERS),
        *(pytest.param({"most": most}, id=f"room for {most}") for most in (0, 8, 16)),
    ],
)
def test_a_lie_is_an_error_in_time(liar, monkeypatch):
    monkeypatch.setattr("benchlog.driver_kit.visa.CONNECT_S", 0.7)
    lying = Liar(**liar)
    faults = []

    def ask():
        try:
            asked(lying)
        except InstrumentError as error:
            faults.append(error)

    began = HostClock().mono_ns()
    thread = threading.Thread(target=ask, daemon=True)
    thread.start()
    thread.join(10.0)
    lying.server.close()
    assert faults, "held up, or no error"
    assert HostClock().mono_ns() - began < 10e9


def test_an_honest_server_is_heard():
    honest = Liar(lambda number: [message(DATA_END, number, b"16000001.25\n")])
    assert asked(honest) == b"16000001.25\n"
    honest.server.close()
