"""Misbehaviour on command, as it comes over a real wire."""

import os
from contextlib import closing
from dataclasses import replace

import pytest
import serial
from simulate.lab import Line, now_s, port_of, scenario, serving

from benchlog.catalogue import load_part
from benchlog.cli.commands.simulate import ORDERS
from benchlog.clock import HostClock, host_sleep
from benchlog.errors import BenchlogError
from benchlog.simulate import SimulatedBench, Via
from benchlog.simulate.instruments.faults import NEEDS
from benchlog.simulate.rack_bench import SimulatedRack
from benchlog.simulate.rack_scenario import rack_scenario
from benchlog.simulate.scenario import ReceiverAt

RACKED = load_part("vctcxo-10mhz-1ppm")


@pytest.fixture(scope="module")
def running():
    with serving(scenario(Via.TCP, Via.LINE), HostClock()) as both:
        yield both


@pytest.fixture
def bench(running):
    bench, _ = running
    yield bench
    bench.command("counter ok")
    bench.command("room ok")


@pytest.fixture
def line(running, bench):
    line = Line(running[1]["counter"])
    line.ask("*CLS;:CONF:FREQ;:SENS:FREQ:APER 0.005;*OPC?")
    yield line
    line.close()


def is_reading(raw: bytes) -> bool:
    return raw.endswith(b"\n") and abs(float(raw) - 16e6) < 1000


def test_late(bench, line):
    bench.command("counter late 0.4")
    begin = now_s()
    line.say("READ?")
    line.socket.settimeout(0.3)
    with pytest.raises(TimeoutError):
        line.hear()
    line.socket.settimeout(5)
    assert is_reading(line.hear())
    assert 0.4 <= now_s() - begin < 2
    assert is_reading(line.ask("READ?"))


def test_half_has_no_terminator(bench, line):
    bench.command("counter half")
    line.say("READ?")
    host_sleep(0.1)
    half = line.socket.recv(100)
    assert half.startswith(b"+1.6")
    assert b"\n" not in half
    assert is_reading(line.ask("READ?"))


def test_garbage_is_a_line_that_is_no_number(bench, line):
    bench.command("counter garbage x2")
    for _ in range(2):
        raw = line.ask("READ?")
        assert raw.endswith(b"\n")
        with pytest.raises(ValueError):
            float(raw)
    assert is_reading(line.ask("READ?"))


def test_silent_until_told_otherwise(bench, line):
    bench.command("counter silent always")
    line.socket.settimeout(0.2)
    for text in ("READ?", "*IDN?"):
        with pytest.raises(TimeoutError):
            line.ask(text)
    bench.command("counter ok")
    assert line.ask("*IDN?").startswith(b"SIMULATED,")


def test_two_lines_for_one_question(bench, line):
    bench.command("counter two")
    assert line.ask("READ?") == line.hear()
    assert line.ask("*OPC?") == b"1\n"


def test_no_signal_and_overload(bench, line):
    bench.command("counter no-signal x2")
    assert [float(line.ask("READ?")) for _ in range(2)] == [9.91e37] * 2
    bench.command("counter overload")
    assert float(line.ask("READ?")) == 9.9e37
    assert is_reading(line.ask("READ?"))


def test_factor(bench, line):
    bench.command("counter factor 2")
    assert float(line.ask("READ?")) == pytest.approx(32e6, rel=1e-4)


def test_gate_refused(bench, line):
    bench.command("counter refuse-gate")
    assert float(line.ask("SENS:FREQ:APER 0.02;APER?")) == 0.005
    assert line.ask("SYST:ERR?").startswith(b"-222,")


def test_wrong_identity(bench, line):
    bench.command("counter identity SIMULATED,Another Counter,SIM-9999,1.0")
    assert line.ask("*IDN?") == b"SIMULATED,Another Counter,SIM-9999,1.0\n"
    assert line.ask("*IDN?").startswith(b"SIMULATED,Bench Counter")


def test_cut_in_the_middle_of_an_answer(bench, line):
    bench.command("counter cut")
    half = line.ask("READ?")
    assert half.startswith(b"+1.6")
    assert not half.endswith(b"\n")
    assert line.socket.recv(10) == b""


def test_dropped_while_it_measures(running, bench, line):
    line.say("SENS:FREQ:APER 5;:READ?")
    host_sleep(0.05)
    begin = now_s()
    bench.command("counter drop")
    assert line.hear() == b""
    assert now_s() - begin < 1
    again = Line(running[1]["counter"])
    assert again.ask("*IDN?").startswith(b"SIMULATED,")  # the gate was given up
    again.close()


def eventually(attempt, *errors):
    """Try until it works, for 5 s at most."""
    end = now_s() + 5
    while True:
        try:
            return attempt()
        except errors:
            assert now_s() < end
            host_sleep(0.02)


def test_deaf_for_a_while_then_back_at_the_same_port(running, bench, line):
    bench.command("counter deaf 0.5")
    assert line.hear() == b""
    with pytest.raises(ConnectionRefusedError):
        Line(running[1]["counter"])
    again = eventually(lambda: Line(running[1]["counter"]), ConnectionRefusedError)
    assert again.ask("*OPC?") == b"1\n"
    again.close()
    eventually(lambda: os.stat(running[1]["counter@line"]), FileNotFoundError)


def test_a_device_taken_out_and_another_put_in(bench, line):
    bench.command("device A remove")
    assert float(line.ask("READ?")) == 9.91e37
    bench.command("device A insert -250")
    assert float(line.ask("READ?")) == pytest.approx(16e6 * (1 - 250e-6), abs=20)
    bench.command("device A step 1000")
    assert float(line.ask("READ?")) == pytest.approx(16e6 * (1 + 750e-6), abs=20)
    bench.command("device A insert 10")


def test_faults_of_a_talking_instrument(running, bench):
    port = serial.Serial(running[1]["counter@line"], timeout=3, exclusive=True)
    try:
        port.reset_input_buffer()
        port.readline()
        bench.command("counter@line half")
        lines = [port.readline() for _ in range(20)]
        joined = [raw for raw in lines if len(raw) > 10]  # half a line and the next
        assert len(joined) == 1
        bench.command("counter@line no-signal x3")
        lines = [port.readline() for _ in range(20)]
        assert lines.count(b"----\n") == 3
    finally:
        port.close()


def test_an_unplugged_line_is_noticed_and_comes_back_under_its_name(running, bench):
    path = running[1]["counter@line"]
    port = serial.Serial(path, timeout=3)
    bench.command("counter@line deaf 0.3")
    with pytest.raises(serial.SerialException):
        for _ in range(200):
            port.readline()
    port.close()
    with pytest.raises(serial.SerialException):
        serial.Serial(path)
    again = eventually(lambda: serial.Serial(path, timeout=3), serial.SerialException)
    again.readline()
    assert abs(float(again.readline()) - 16e6) < 1000
    again.close()


def test_the_control_port_speaks_lines(running, bench, line):
    control = Line(running[1]["control"])
    assert control.ask("counter no-signal") == b"ok\n"
    assert b'"no-signal"' in control.ask("counter status")
    assert float(line.ask("READ?")) == 9.91e37
    assert control.ask("counter status") == b"ok []\n"
    assert b"127.0.0.1" in control.ask("list")
    assert b'"text": "9.91E+37"' in control.ask("truth counter 1000")
    control.close()


@pytest.mark.parametrize(
    "order",
    [
        "countr late 1",
        "counter",
        "counter lat 1",
        "counter late",
        "counter late soon",
        "counter late -1",
        "counter late inf",
        "counter deaf",
        "device B remove",
        "device A",
        "device A step much",
        "supply high",
        "\x00",
    ],
)
def test_an_order_not_understood_is_said_and_changes_nothing(running, bench, order):
    with pytest.raises(BenchlogError):
        bench.command(order)
    assert bench.faults["counter"].waiting() == ()
    control = Line(running[1]["control"])
    assert control.ask(order).startswith(b"error ")
    control.close()


def test_the_air_is_set_or_changed_by_a_difference(running, bench):
    with closing(Line(running[1]["room"])) as room:
        for order, wanted_c in (
            ("air 40", 40.0),
            ("air 40", 40.0),
            ("air by 5", 45.0),
            ("air by -10 3600", 35.0),
            ("air 23 3600", 23.0),
        ):
            bench.command(order)
            assert float(room.ask("MEAS:TEMP?")) == pytest.approx(wanted_c, abs=0.5)


def test_the_help_lists_every_order_and_each_is_understood():
    both = replace(scenario(Via.TCP), receiver=ReceiverAt())
    chip = replace(scenario(Via.TCP), register_ppm=tuple(range(-700, 700)))
    with (
        SimulatedBench(both, HostClock()) as bench,
        SimulatedBench(chip, HostClock()) as of_a_chip,
        SimulatedRack(rack_scenario(RACKED, 2, seed=3), HostClock()) as rack,
    ):
        for order, what in ORDERS:
            plain = order.replace("[", "").replace("]", "")
            asked = of_a_chip if plain.startswith("chip ") else bench
            (rack if what.startswith("Of a rack") else asked).command(plain)
        told = {order.split()[1] for order, _ in ORDERS if order.split()[1:]}
        assert {*NEEDS, "drop", "deaf", "unfixed", "ok", "status"} <= told


@pytest.mark.skipif(not os.path.exists("/proc/net/tcp"), reason="needs Linux")
def test_only_loopback_is_listened_on(running):
    addresses = running[1]
    ports = {
        f"{port_of(addresses[name]):04X}" for name in ("counter", "room", "control")
    }
    with open("/proc/net/tcp") as table:  # local_address, and 0A: listening
        rows = [row.split() for row in table.readlines()[1:]]
    heard = {row[1] for row in rows if row[3] == "0A" and row[1][9:] in ports}
    assert heard == {f"0100007F:{port}" for port in ports}
    with open("/proc/net/tcp6") as table:
        rows = [row.split() for row in table.readlines()[1:]]
    assert not [row for row in rows if row[3] == "0A" and row[1][-4:] in ports]
