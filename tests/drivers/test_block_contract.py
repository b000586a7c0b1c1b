"""Our counter that streams, in each form of block, through the suite for strangers."""

import math
from dataclasses import replace

from benchlog_drivers.scpi_counter import ScpiCounter

from benchlog.catalogue import load_dialect
from benchlog.model import BlockForm
from benchlog.testing import (
    LINE_FAULTS,
    BlockContract,
    Peer,
    PtyPeer,
    StreamScript,
    TcpPeer,
    block_line,
    definite_block,
)

ANSWERS = {
    "*IDN?": "MAKER,MODEL,7,1.0",
    "SYSTem:ERRor?": '0,"No error"',
    "FETCh:LOST?": "0",
}
APERTURE = "SENSe:FREQuency:APERture"
ASK = "FETCh:ARRay? 20000"
GATE_S = 1e-4
VALUES = tuple(16e6 + 0.25 * n for n in range(200))
GIVEN = (16e6, math.nan, math.inf, 9.91e37, -9.9e37, 16e6 + 1)
ODD = (16e6, math.nan, math.inf, math.nan, -math.inf, 16e6 + 1)
BIG = load_dialect("scpi-stream")
LITTLE_STAMPED = replace(
    BIG,
    gapless=None,
    block=BlockForm(order="little", fields=("stamp", "value"), stamp_s=1e-6),
)
TEXT = replace(BIG, block=BlockForm(data="text"))


def stream(make) -> StreamScript:
    return StreamScript(ANSWERS, ("READ?", "+1.5999852E+07"), (ASK, make), [APERTURE])


class TestBigEndian(BlockContract):
    driver = ScpiCounter
    options = {"dialect": BIG, "gate_s": GATE_S}
    value = 15_999_852.0
    block_values, odd_values = VALUES, ODD
    malformed = (b"nan\n",)  # single values: see test_contract.py
    faults = ()

    def peer(self) -> Peer:
        return TcpPeer(stream(lambda _: definite_block(VALUES)))

    def odd_peer(self) -> Peer:
        return TcpPeer(stream(lambda _: definite_block(GIVEN)))


class TestLittleEndianWithStamps(TestBigEndian):
    options = {"dialect": LITTLE_STAMPED, "gate_s": GATE_S}
    block_faults = TestBigEndian.block_faults[4:8]

    def peer(self) -> Peer:
        return TcpPeer(stream(lambda asked: stamped(VALUES, asked)))

    def odd_peer(self) -> Peer:
        return TcpPeer(stream(lambda asked: stamped(GIVEN, asked)))


class TestText(TestBigEndian):
    options = {"dialect": TEXT, "gate_s": GATE_S}
    block_faults = LINE_FAULTS
    odd_values = (16e6, math.nan, -math.inf)

    def peer(self) -> Peer:
        return TcpPeer(stream(lambda _: block_line(VALUES)))

    def odd_peer(self) -> Peer:
        return TcpPeer(stream(lambda _: block_line((16e6, 9.91e37, -9.9e37))))


class TestOverASerialLine(TestBigEndian):
    nowhere = "/dev/not-a-port"
    block_faults = TestBigEndian.block_faults[1:2]

    def peer(self) -> Peer:
        return PtyPeer(stream(lambda _: definite_block(VALUES)))

    def odd_peer(self) -> Peer:
        return PtyPeer(stream(lambda _: definite_block(GIVEN)))


def stamped(values, asked: int) -> bytes:
    """Return values with stamps in us, each block behind the one before."""
    begin = asked * len(values)
    gate_us = GATE_S * 1e6
    rows = [((begin + n + 1) * gate_us, value) for n, value in enumerate(values)]
    return definite_block([one for row in rows for one in row], order="little")
