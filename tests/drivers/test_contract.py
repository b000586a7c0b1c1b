"""Our drivers run through the suite that strangers' drivers run through."""

from benchlog_drivers.line_counter import LineCounter
from benchlog_drivers.line_thermometer import LineThermometer
from benchlog_drivers.scpi_counter import ScpiCounter
from benchlog_drivers.scpi_meter import ScpiMeter
from benchlog_drivers.scpi_thermometer import ScpiThermometer

from benchlog.catalogue import load_dialect
from benchlog.testing import (
    ASKED_FAULTS,
    MALFORMED,
    TALKING_FAULTS,
    DriverContract,
    Peer,
    PtyPeer,
    Script,
    Talker,
    TcpPeer,
)

ANSWERS = {
    "*IDN?": "MAKER,MODEL,7,1.0-2,x",
    "SYSTem:ERRor?": '0,"No error"',
}
APERTURE = "SENSe:FREQuency:APERture"


def counter() -> Script:
    return Script(ANSWERS, ("READ?", "+1.5999852E+07"), [APERTURE], gate_s=0.02)


class TestScpiCounterTcp(DriverContract):
    driver = ScpiCounter
    options = {"dialect": load_dialect("scpi-1999"), "gate_s": 0.02}
    value = 15_999_852.0

    def peer(self) -> Peer:
        return TcpPeer(counter())


class TestScpiCounterTcp6(TestScpiCounterTcp):
    nowhere = "TCPIP::::1::1::SOCKET"
    malformed = MALFORMED[:3]  # the bytes go the same way as over IPv4
    faults = ASKED_FAULTS[2:6]

    def peer(self) -> Peer:
        return TcpPeer(counter(), host="::1")


class TestScpiCounterPty(TestScpiCounterTcp):
    nowhere = "/dev/not-a-port"

    def peer(self) -> Peer:
        return PtyPeer(counter())


class TestScpiThermometer(DriverContract):
    driver = ScpiThermometer
    options = {"dialect": load_dialect("scpi-thermometer"), "every_s": 0.01}
    value = 23.4

    def peer(self) -> Peer:
        return TcpPeer(Script(ANSWERS, ("MEASure:TEMPerature?", "+2.340E+01")))


class TestScpiMeter(DriverContract):
    driver = ScpiMeter
    options = {"dialect": load_dialect("scpi-meter"), "quantity": "voltage:dc"}
    value = 3.3012

    def peer(self) -> Peer:
        return TcpPeer(Script(ANSWERS, ("MEASure:VOLTage:DC?", "3.3012")))


class TestLineCounterPty(DriverContract):
    driver = LineCounter
    options = {"dialect": load_dialect("line-hz"), "gate_s": 0.02}
    value = 7_999_852.5
    faults = TALKING_FAULTS
    nowhere = "/dev/not-a-port"

    def peer(self) -> Peer:
        return PtyPeer(Talker("7999852.5"))


class TestLineCounterSocket(TestLineCounterPty):
    nowhere = "TCPIP::127.0.0.1::1::SOCKET"
    malformed = MALFORMED[:3]
    faults = TALKING_FAULTS[:5]

    def peer(self) -> Peer:
        return TcpPeer(Talker("7999852.5"))


class TestLineThermometer(DriverContract):
    driver = LineThermometer
    options = {"dialect": load_dialect("line-celsius"), "interval_s": 0.02}
    value = 23.4
    faults = TALKING_FAULTS
    nowhere = "socket://127.0.0.1:1"

    def peer(self) -> Peer:
        return TcpPeer(Talker("T = 23.40 C"))
