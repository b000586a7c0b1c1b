"""Drivers through another VISA library: pyvisa-sim and what counter.yaml says."""

from pathlib import Path

import pytest
import pyvisa
from benchlog_drivers.scpi_counter import ScpiCounter
from benchlog_drivers.scpi_meter import ScpiMeter
from benchlog_drivers.scpi_thermometer import ScpiThermometer

from benchlog.catalogue import load_dialect
from benchlog.errors import InstrumentError, LostError, RefusedError
from benchlog.testing import HurriedClock

LIBRARY = f"{Path(__file__).with_name('counter.yaml')}@sim"
THERMOMETER = "TCPIP::thermometer.local::inst0::INSTR"
COUNTERS = (
    "TCPIP::counter.local::inst0::INSTR",
    "TCPIP::counter.local::5025::SOCKET",
    "ASRL7::INSTR",
    "GPIB0::8::INSTR",
    "USB0::0x0001::0x0002::42::INSTR",
)


def counter(address: str, gate_s: float = 0.5) -> ScpiCounter:
    options = {
        "dialect": load_dialect("scpi-1999"),
        "visa_library": LIBRARY,
        "gate_s": gate_s,
    }
    return ScpiCounter(address, options, HurriedClock())


@pytest.mark.parametrize("address", COUNTERS)
def test_a_counter_on_every_bus(address: str) -> None:
    driver = counter(address)
    driver.open()
    try:
        assert driver.identify().who == ("SIMULATED", "Dialogue Counter", "42")
        assert driver.identify().simulated
        samples = [driver.read(), driver.read()]
    finally:
        driver.close()
    assert [sample.value for sample in samples] == [15_999_852.0] * 2
    assert samples[0].raw == b"+1.59998520000E+07"
    assert samples[0].gate_s == 0.5
    assert samples[0].step == pytest.approx(1e-4)


def test_a_gate_out_of_its_range_is_refused() -> None:
    driver = counter(COUNTERS[0], gate_s=100.0)
    with pytest.raises(InstrumentError) as caught:
        driver.open()
    driver.close()
    assert isinstance(caught.value, RefusedError)
    assert "gate_s = 100" in str(caught.value)


def test_a_resource_that_is_not_listed_is_lost() -> None:
    """pyvisa-sim itself opens it without complaint."""
    driver = counter("TCPIP::nobody.local::inst0::INSTR")
    with pytest.raises(LostError, match=r"nobody\.local"):
        driver.open()


def test_a_file_that_is_missing() -> None:
    options = {
        "dialect": load_dialect("scpi-1999"),
        "visa_library": "/nowhere/counter.yaml@sim",
    }
    driver = ScpiCounter(COUNTERS[0], options, HurriedClock())
    with pytest.raises(LostError, match="visa_library"):
        driver.open()


@pytest.mark.parametrize(
    ("driver", "dialect", "value", "unit"),
    [
        (ScpiThermometer, "scpi-thermometer", 23.4, "C"),
        (ScpiMeter, "scpi-meter", 3.3012, "V"),
    ],
)
def test_thermometer_and_meter(
    driver: type[ScpiMeter] | type[ScpiThermometer],
    dialect: str,
    value: float,
    unit: str,
) -> None:
    options = {"dialect": load_dialect(dialect), "visa_library": LIBRARY}
    made = driver(THERMOMETER, options, HurriedClock())
    made.open()
    sample = made.read()
    made.close()
    assert (sample.value, sample.unit) == (value, unit)


def test_closing_one_leaves_the_others_open() -> None:
    """Closing PyVISA's manager would close every instrument of the process."""
    first, second = counter(COUNTERS[0]), counter(COUNTERS[3])
    first.open()
    second.open()
    first.close()
    assert second.read().value == 15_999_852.0
    second.close()


def test_nothing_is_kept_of_a_hundred_connections() -> None:
    driver = counter(COUNTERS[0])
    driver.open()
    sessions = pyvisa.ResourceManager(LIBRARY).visalib.sessions
    before = len(sessions)
    for _ in range(100):
        driver.close()
        driver.open()
    assert len(sessions) == before
    driver.close()
