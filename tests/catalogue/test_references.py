"""Bench files with references, pulses and calibration dates."""

from pathlib import Path

import pytest

from benchlog.catalogue import load_bench
from benchlog.errors import ConfigError
from benchlog.model import ReferenceSpec
from benchlog.store.snapshot import bench_from, to_plain

HEAD = """
[instruments.counter]
driver = "scpi-counter"
address = "TCPIP::192.0.2.10::5025::SOCKET"
{more}
[instruments.gps]
driver = "pulse-edge"
address = "/dev/ttyUSB1"
line = "dcd"
[instruments.divided]
driver = "pulse-edge"
address = "/dev/ttyUSB2"
line = "rx"
[instruments.room]
driver = "typed-in"
value = 23.0
"""
ONE = """
[instruments.it]
driver = "{driver}"
address = "{address}"

[[position]]
name = "A"
frequency = "it"
"""
POSITION = """
[[position]]
name = "A"
frequency = "{frequency}"
"""


def bench(write, *, more="", end="", frequency="counter", begin=""):
    text = begin + HEAD.format(more=more) + end + POSITION.format(frequency=frequency)
    return write("b.toml", text)


def test_what_instruments_measure_is_kept(write):
    found = load_bench(bench(write))
    kinds = {name: spec.quantity for name, spec in found.instruments.items()}
    assert kinds["counter"] == "frequency"
    assert kinds["gps"] == kinds["divided"] == "edge"


@pytest.mark.parametrize("written", ["2027-03-31", '"2027-03-31"'])
def test_calibration_due(write, written):
    found = load_bench(bench(write, more=f"calibration_due = {written}"))
    assert found.instruments["counter"].calibration_due == "2027-03-31"
    assert found.instruments["gps"].calibration_due == ""


@pytest.mark.parametrize("written", ["2027", '"soon"', "2027-03-31T08:00:00", "true"])
def test_a_calibration_date_must_be_a_date(write, problems_of, written):
    path = bench(write, more=f"calibration_due = {written}")
    problem = problems_of(load_bench, path)["instruments.counter.calibration_due"]
    assert "a date such as 2026-11-30" in problem.expected


def test_pulses_may_be_a_frequency_and_a_reference(write):
    path = bench(write, frequency="divided")
    text = Path(path).read_text() + 'reference = "gps"\n'
    position = load_bench(write("c.toml", text)).positions[0]
    assert (position.frequency, position.reference) == ("divided", "gps")


def test_a_thermometer_is_no_reference(write, problems_of):
    text = Path(bench(write)).read_text() + 'reference = "counter"\n'
    problem = problems_of(load_bench, write("c.toml", text))["position[0].reference"]
    assert "measures frequency" in problem.found
    assert "edge" in problem.expected


def test_three_ways_of_a_reference(write):
    ways = {
        'counter = "counter"\ninput = 2\nu_s = 5e-8': ReferenceSpec(
            counter="counter", nominal_hz=1.0, input=2, u_s=5e-8
        ),
        'counter = "counter"\nnominal_hz = 10e6\nu_ppm = 1e-4': ReferenceSpec(
            counter="counter", nominal_hz=10e6, input=None, u_s=None, u_ppm=1e-4
        ),
        'counter = "counter"\npulses = "gps"\ntimebase = "divided"': ReferenceSpec(
            counter="counter", pulses="gps", timebase="divided"
        ),
    }
    for text, expected in ways.items():
        assert load_bench(bench(write, end=f"[reference]\n{text}\n")).reference == (
            expected
        )


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ('counter = "counter"\npulses = "gps"', "reference.timebase"),
        ('counter = "counter"\ntimebase = "gps"', "reference.pulses"),
        (
            'counter = "counter"\npulses = "counter"\ntimebase = "gps"',
            "reference.pulses",
        ),
        ('counter = "gps"', "reference.counter"),
    ],
)
def test_what_a_reference_cannot_be(write, problems_of, text, key):
    path = bench(write, end=f"[reference]\n{text}\n")
    assert key in problems_of(load_bench, path)


def test_host_clock(write, problems_of):
    assert load_bench(bench(write)).host_clock_ppm is None
    path = bench(write, begin="host_clock_ppm = 60\n")
    assert load_bench(path).host_clock_ppm == 60.0
    wrong = bench(write, begin="host_clock_ppm = -1\n")
    assert "host_clock_ppm" in problems_of(load_bench, wrong)


def test_a_snapshot_keeps_it_all(write):
    end = '[reference]\ncounter = "counter"\npulses = "gps"\ntimebase = "divided"\n'
    path = bench(write, end=end, more="calibration_due = 2027-03-31")
    found = load_bench(path)
    again = bench_from(to_plain(found))
    assert again.reference == found.reference
    assert again.instruments["counter"].calibration_due == "2027-03-31"
    assert again.instruments["gps"].quantity == "edge"


@pytest.mark.parametrize(
    ("driver", "address", "wanted"),
    [
        ("scpi-counter", "rubbish", "a VISA resource"),
        ("scpi-counter", "192.0.2.10", "HOST:PORT"),
        ("scpi-counter", "192.0.2.10:99999", "HOST:PORT"),
        ("line-counter", "ttyUSB0", "a serial device"),
        ("line-counter", "USB0::1::2::INSTR", "a serial device"),
        ("pulse-edge", "rubbish", "a pySerial URL"),
    ],
)
def test_what_can_be_no_address_is_said_before_anything_is_opened(
    write, driver, address, wanted
):
    with pytest.raises(ConfigError, match=wanted):
        load_bench(write("b.toml", ONE.format(driver=driver, address=address)))


@pytest.mark.parametrize(
    "address",
    [
        "TCPIP::192.0.2.10::5025::SOCKET",
        "192.0.2.10:5025",
        "TCPIP0::[2001:db8::1]::hislip0::INSTR",
        "USB0::0x1234::0x5678::SN1::INSTR",
        "GPIB0::9::INSTR",
        "ASRL/dev/ttyUSB0::INSTR",
        "/dev/ttyUSB0",
        "COM3",
        "socket://192.0.2.10:5025",
        "rfc2217://192.0.2.10:4001",
    ],
)
def test_every_way_of_writing_an_address_is_taken(write, address):
    one = ONE.format(driver="scpi-counter", address=address)
    assert load_bench(write("b.toml", one)).instruments["it"].address == address


def test_a_makers_library_may_know_other_names(write):
    one = ONE.format(driver="scpi-counter", address="counter-on-shelf")
    text = one.replace("\n[[", '\nvisa_library = "@ivi"\n[[')
    assert load_bench(write("b.toml", text)).instruments["it"].address
