"""Supply and scanner through another VISA library: pyvisa-sim and setters.yaml."""

import math
from contextlib import contextmanager
from pathlib import Path

import pytest
import pyvisa
from pyvisa.rname import to_canonical_name
from pyvisa_sim.component import NoResponse

from benchlog.catalogue import load_dialect
from benchlog.errors import LostError, RefusedError
from benchlog.registry import load
from benchlog.testing import HurriedClock

LIBRARY = f"{Path(__file__).with_name('setters.yaml')}@sim"
SUPPLIES = ("TCPIP::supply.local::inst0::INSTR", "USB0::0x0001::0x0003::44::INSTR")
SCANNERS = ("TCPIP::scanner.local::inst0::INSTR", "GPIB0::9::INSTR")


@contextmanager
def opened(name, address, **given):
    options = {"dialect": load_dialect(name), "visa_library": LIBRARY, **given}
    made = load(name)(address, options, HurriedClock())
    made.open()
    try:
        yield made
    finally:
        made.close()


def asked(address, query):
    """Ask by pyvisa itself, beside the driver."""
    with pyvisa.ResourceManager(LIBRARY).open_resource(
        address, read_termination="\n", write_termination="\n"
    ) as own:
        return own.query(query)


@pytest.mark.parametrize("address", SUPPLIES)
def test_a_supply_is_set_switched_measured_and_let_go(address):
    with opened("scpi-supply", address, low=0.0, high=5.5, limit_a=0.25) as made:
        assert made.identify().who == ("SIMULATED", "Dialogue Supply", "44")
        assert float(asked(address, "SOURce:CURRent?")) == 0.25
        made.set(3.3)
        assert float(asked(address, "SOURce:VOLTage?")) == made.read_back() == 3.3
        made.switch(True)
        assert asked(address, "OUTPut?") == "ON"
        sample = made.read()
        assert (sample.value, sample.unit) == (3.2991, "V")
        assert made.at_rest()  # 0.9 mV beside, of a range of 5.5 V
        made.set(3.0)
        assert not made.at_rest()
        made.release()
        assert asked(address, "OUTPut?") == "OFF"


def test_what_a_supply_complains_of_is_refused_and_nothing_beyond_the_bench_is_sent():
    with opened("scpi-supply", SUPPLIES[0], low=0.0, high=9.0) as made:
        made.set(3.3)
        with pytest.raises(RefusedError, match="Data out of range"):
            made.set(6.5)  # the bench file allows it, the supply does not
        for value in (9.1, -0.1, math.nan):
            with pytest.raises(RefusedError, match=r"outside|no number"):
                made.set(value)
        assert made.read_back() == 3.3
    with (
        pytest.raises(RefusedError, match="Data out of range"),
        opened("scpi-supply", SUPPLIES[0], low=0.0, high=5.0, limit_a=9.0),
    ):
        pass


@pytest.fixture(params=SCANNERS)
def scanner(request):
    """A scanner whose `ROUTe:OPEN:ALL` empties the list: a file cannot tell that."""
    library = pyvisa.ResourceManager(LIBRARY).visalib  # kept: else it is read anew
    found = library.devices[to_canonical_name(request.param)]
    valid = {"valid": ["", "101", "102", "103", "101,102"], "type": "str"}
    state = ("ROUTe:CLOSe:STATe?", "(@{:s})")
    found.add_property(
        "closed", "", state, ("ROUTe:OPEN:ALL{:s}", NoResponse, NoResponse), valid
    )
    with opened("scpi-scanner", request.param, low=101.0, high=110.0) as made:
        yield made
    assert asked(request.param, "ROUTe:CLOSe:STATe?") in ("(@)", "(@101,102)")


def test_a_scanner_closes_one_channel_at_a_time(scanner):
    assert scanner.read_back() == 0
    scanner.set(101)
    assert asked(scanner.address, "ROUTe:CLOSe:STATe?") == "(@101)"
    scanner.set(103)
    assert scanner.read_back() == scanner.read().value == 103
    scanner.set(0)
    assert scanner.read_back() == 0
    scanner.set(102)
    scanner.release()


def test_a_channel_that_is_not_there_or_closed_by_somebody_else_is_told(scanner):
    with pytest.raises(RefusedError, match=r"out of range|closes nothing"):
        scanner.set(107)
    scanner.set(102)
    with pyvisa.ResourceManager(LIBRARY).open_resource(
        scanner.address, write_termination="\n"
    ) as somebody:
        somebody.write("ROUTe:CLOSe (@101,102)")
    with pytest.raises(RefusedError, match="closed at once"):
        scanner.read_back()


def test_nobody_at_the_address_is_lost():
    with (
        pytest.raises(LostError),
        opened("scpi-supply", "TCPIP::nobody.local::INSTR", low=0.0, high=1.0),
    ):
        pass
