"""A block that was read is kept, whatever becomes of the question behind it."""

import pytest
from benchlog_drivers.scpi_counter import ScpiCounter

from benchlog.catalogue import load_dialect
from benchlog.clock import HostClock
from benchlog.errors import InstrumentError
from benchlog.testing import StreamScript, TcpPeer, definite_block

VALUES = tuple(16e6 + 0.25 * n for n in range(200))


class Forgetful(StreamScript):
    """Tells how many readings were lost once, when the stream begins."""

    asked = 0

    # private: what a script answers to a line
    def _steps(self, line: str):
        if line.strip() == "FETCh:LOST?":
            self.asked += 1
            if self.asked > 1:
                return (b"what?\n",)
        return super()._steps(line)  # private: as above


def test_a_count_that_cannot_be_read_costs_no_block() -> None:
    script = Forgetful(
        {"*IDN?": "MAKER,MODEL,7,1.0", "FETCh:LOST?": "0", "SYSTem:ERRor?": "0"},
        ("READ?", "+1.6E+07"),
        ("FETCh:ARRay? 20000", lambda _: definite_block(VALUES)),
        ["SENSe:FREQuency:APERture"],
    )
    with TcpPeer(script) as peer:
        options = {"dialect": load_dialect("scpi-stream"), "gate_s": 1e-4}
        driver = ScpiCounter(peer.address, options, HostClock())
        driver.open()
        try:
            assert tuple(driver.read_block().values) == VALUES
            with pytest.raises(InstrumentError):
                driver.read_block()
        finally:
            driver.close()
