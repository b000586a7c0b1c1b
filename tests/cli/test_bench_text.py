"""The text of a new bench file holds what was answered; it loads as any bench does."""

import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.catalogue import bench_from_mapping
from benchlog.cli.tasks.bench_setup.address_answers import ambient_fault
from benchlog.cli.tasks.bench_setup.answers import (
    SPEAKS,
    AmbientAnswer,
    BenchAnswers,
    CounterAnswer,
    PulseAnswer,
)
from benchlog.cli.tasks.bench_setup.bench_text import bench_text
from benchlog.model import Bench


def bench_of(answers: BenchAnswers) -> Bench:
    text = bench_text(answers)
    assert all(len(line) <= 90 for line in text.splitlines())
    return bench_from_mapping(tomllib.loads(text), Path("made.toml"))


def with_counter(**answer: object) -> Bench:
    counter = CounterAnswer(**answer)  # type: ignore[arg-type]
    return bench_of(BenchAnswers(name="made", counter=counter))


@pytest.mark.parametrize(
    ("address", "speaks", "driver", "dialect"),
    [
        ("192.0.2.10:5025", "scpi", "scpi-counter", "scpi-1999"),
        ("USB0::0x1234::0x5678::SN1::INSTR", "scpi", "scpi-counter", "scpi-1999"),
        ("GPIB0::3::INSTR", "scpi", "scpi-counter", "scpi-1999"),
        ("TCPIP::192.0.2.30::gpib0,3::INSTR", "scpi", "scpi-counter", "scpi-1999"),
        ("/dev/ttyUSB0", "scpi", "scpi-counter", "scpi-1999"),
        ("/dev/ttyUSB0", "hz", "line-counter", "line-hz"),
        ("/dev/ttyACM0", "counts", "line-counter", "line-counts"),
        ("192.0.2.21:4000", "khz", "line-counter", "line-khz"),
    ],
)
def test_each_kind_of_counter(
    address: str, speaks: str, driver: str, dialect: str
) -> None:
    bench = with_counter(address=address, speaks=speaks, gate_s=0.5)
    counter = bench.instruments["counter"]
    assert (counter.driver, counter.address) == (driver, address)
    assert counter.options["dialect"].name == dialect  # type: ignore[attr-defined]
    assert counter.options["gate_s"] == 0.5
    assert bench.positions[0].frequency == "counter"


def test_a_board_keeps_its_lines_and_baud() -> None:
    bench = with_counter(
        address="/dev/ttyACM0", speaks="counts", baud=115200, dtr=True, rts=False
    )
    options = bench.instruments["counter"].options
    assert (options["baud"], options["dtr"], options["rts"]) == (115200, True, False)


def test_a_counter_behind_a_bridge() -> None:
    bench = with_counter(address="192.0.2.31:1234", gpib_address=3)
    assert bench.instruments["counter"].options["gpib_address"] == 3


@pytest.mark.parametrize(
    ("ambient", "driver"),
    [
        (AmbientAnswer(value_c=23.5), "typed-in"),
        (AmbientAnswer(address="192.0.2.11:5025"), "scpi-thermometer"),
        (AmbientAnswer(address="/dev/ttyUSB1", speaks="lines"), "line-thermometer"),
        (AmbientAnswer(address="/sys/class/thermal/x/temp"), "sysfs-thermometer"),
    ],
)
def test_each_kind_of_ambient(ambient: AmbientAnswer, driver: str) -> None:
    counter = CounterAnswer(address="192.0.2.10:5025")
    bench = bench_of(BenchAnswers(name="made", counter=counter, ambient=ambient))
    name = bench.positions[0].ambient
    assert name is not None and bench.instruments[name].driver == driver
    if ambient.value_c is not None:
        assert bench.instruments[name].options["value"] == 23.5


def test_a_pulse_into_the_counters_second_input() -> None:
    counter = CounterAnswer(address="192.0.2.10:5025")
    bench = bench_of(
        BenchAnswers(name="made", counter=counter, pulse_input=2, pulse_u_s=5e-8)
    )
    assert bench.reference is not None
    assert (bench.reference.input, bench.reference.u_s) == (2, 5e-8)
    assert bench.instruments["counter"].options["input"] == 1


@pytest.mark.parametrize(
    "pulse",
    [
        PulseAnswer(address="/dev/pps0", line="kernel"),
        PulseAnswer(address="/dev/ttyS0"),
    ],
)
def test_a_device_that_pulses_is_compared_with_the_reference(
    pulse: PulseAnswer,
) -> None:
    counter = CounterAnswer(address="/dev/ttyUSB0", speaks="pulses")
    bench = bench_of(
        BenchAnswers(name="made", counter=counter, pulse=pulse, divider=32768)
    )
    (position,) = bench.positions
    assert (position.frequency, position.reference) == ("device", "receiver")
    assert position.divider == 32768
    assert bench.instruments["receiver"].options["line"] == pulse.line


def test_pulses_of_the_time_base_make_a_reference_check() -> None:
    bench = bench_of(
        BenchAnswers(
            name="made",
            counter=CounterAnswer(address="192.0.2.10:5025"),
            pulse=PulseAnswer(address="/dev/pps0", line="kernel"),
            timebase=PulseAnswer(address="/dev/ttyUSB0", line="cts"),
        )
    )
    assert bench.reference is not None
    assert (bench.reference.pulses, bench.reference.timebase) == (
        "receiver",
        "timebase",
    )


@given(
    st.text(st.characters(exclude_categories=("Cs",)), max_size=30),
    st.sampled_from(sorted(SPEAKS)),
    st.floats(1e-6, 1e4),
)
def test_whatever_an_address_holds_the_file_gives_it_back(
    address: str, speaks: str, gate_s: float
) -> None:
    counter = CounterAnswer(address=address, speaks=speaks, gate_s=gate_s)
    found = tomllib.loads(bench_text(BenchAnswers(name="made", counter=counter)))
    instrument = found["instruments"][counter.name]
    assert instrument["address"] == address
    if speaks != "pulses":
        assert instrument["gate_s"] == gate_s


@pytest.mark.parametrize("text", ["23 F", "23.5 C", "-4°C"])
def test_an_ambient_with_its_unit_is_told_to_be_a_number_alone(text):
    """It was taken for an address, and the answer told of VISA resources."""
    assert "number alone, in degrees C" in ambient_fault(text, ())
    assert ambient_fault("23.5", ()) == ""
