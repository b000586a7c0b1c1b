"""The simulated rack: physics against another solver, instruments over sockets."""

import socket
from itertools import pairwise

import numpy as np
import pytest
import pyvisa
from pymodbus.client import ModbusTcpClient
from scipy.linalg import expm

from benchlog.catalogue import load_part
from benchlog.clock import HostClock
from benchlog.errors import UsageError
from benchlog.simulate.physics.chamber import Chamber, ChamberSpec
from benchlog.simulate.physics.noise import Noise
from benchlog.simulate.physics.oscillator import OscillatorSpec
from benchlog.simulate.physics.rack_device import DipSpec, RackDevice, RackDeviceSpec
from benchlog.simulate.physics.room import Room, RoomSpec, Supply, SupplySpec
from benchlog.simulate.rack_bench import SimulatedRack
from benchlog.simulate.rack_scenario import rack_scenario

PART = load_part("vctcxo-10mhz-1ppm")


def by_matrix_exponential(bottom, driven):
    """Return what a low-pass of these poles makes of a ramp in steps of 1 s.

    Exact where the ramp is straight within a step: the exponential of the system with
    its input and the slope of that as states (first-order hold; from memory). What
    `scipy.signal.lsim` returns, whose import takes a second.
    """
    n = len(bottom) - 1
    system = np.zeros((n + 2, n + 2))
    system[: n - 1, 1:n] = np.eye(n - 1)
    system[n - 1, :n] = -np.array(bottom[:0:-1]) / bottom[0]
    system[n - 1, n] = bottom[-1] / bottom[0]
    system[n, n + 1] = 1.0
    step, state, found = expm(system), np.zeros(n), [0.0]
    for before, after in pairwise(driven):
        state = (step @ [*state, before, after - before])[:n]
        found.append(state[0])
    return np.array(found)


def test_air_and_bodies_follow_as_the_differential_equation_wants():
    """Against its solution on the same ramp, to a microdegree."""
    spec = ChamberSpec()
    chamber = Chamber(spec)
    chamber.send(-40, 0.0)
    chamber.send(85, 600.0)  # while it still cools
    chamber.send(25, 2500, 1.0)
    t_s = np.arange(0, 8000, 1.0)
    # private: nobody but the test looks at it
    ramp = np.array([chamber._ramp_c(at) for at in t_s]) - spec.begin_c
    omega = 1 / spec.inertia_s
    poles = [1, 2 * spec.damping * omega, omega**2]
    for lag_s in (0.0, 200.0):
        bottom = np.polymul(poles, [1, 1 / lag_s]) if lag_s else poles
        air = by_matrix_exponential(bottom, ramp)
        found = np.array([chamber.body_c(at, 0, lag_s) for at in t_s[::7]])
        assert np.abs(found - spec.begin_c - air[::7]).max() < 1e-6
    assert max(chamber.air_c(at) for at in t_s[::7]) > 85.2  # it overshoots
    assert chamber.air_c(8000) == pytest.approx(25)


def test_many_orders_are_taken_together_without_a_step():
    chamber, plain = Chamber(ChamberSpec()), Chamber(ChamberSpec())
    for k in range(500):
        chamber.send(20 + k % 2 * 10, k * 1000.0)
    plain.send(30, 499_000.0)
    plain.send(20, 498_000.0 - 10_000)
    # private: nobody but the test looks at it
    assert len(chamber._turns) < 450
    assert chamber.air_c(499_500) == pytest.approx(29.99, abs=0.02)
    assert chamber.air_c(499_990) == pytest.approx(30, abs=1e-5)


def test_a_stuck_chamber_stays_and_a_door_lets_the_cold_out():
    chamber = Chamber(ChamberSpec())
    chamber.send(-40, 0.0)
    chamber.stick(300.0)
    # private: nobody but the test looks at it
    here = chamber._ramp_c(300)
    chamber.send(25, 400.0)
    assert chamber.air_c(4000) == pytest.approx(here)
    chamber.free(4000.0)
    assert chamber.air_c(9000) == pytest.approx(25)
    chamber.open_door(23.0, 9000.0, 60.0)
    assert chamber.air_c(9070) < 24.5
    assert chamber.air_c(12000) == pytest.approx(25)


def device(**given):
    spec = RackDeviceSpec(
        oscillator=OscillatorSpec(nominal_hz=10e6, noise=Noise(0, 0, 0, 0), lag_s=60),
        **given,
    )
    chamber = Chamber(ChamberSpec(gradient_c=0.0))
    surroundings = (Room(RoomSpec(), "r"), Supply(SupplySpec()))
    return chamber, RackDevice(spec, chamber, 0, "d", surroundings)


def test_hysteresis_is_the_difference_of_the_ways():
    chamber, one = device(hysteresis_ppm=0.5)
    chamber.send(85, 0.0, 2.0)
    one.true_ppm(6000)
    chamber.send(-40, 6000.0, 2.0)
    falling = one.true_ppm(6000 + 60 * 30)
    one.true_ppm(12000)
    chamber.send(85, 12000.0, 2.0)
    rising = one.true_ppm(12000 + 60 * 35)
    assert rising - falling == pytest.approx(0.5, abs=0.03)


def test_power_warms_up_and_retraces():
    _, one = device(warm_ppm=2.0, warm_s=30.0, start_s=3.0, retrace_ppm=0.1)
    before = one.true_ppm(10.0)
    one.switch(False, 100.0)
    assert not one.runs(150.0)
    one.switch(True, 100.0 + 86_400)
    on = 86_500.0
    assert not one.runs(on + 2.9)
    assert one.runs(on + 3.1)
    after = one.true_ppm(on + 3600)
    assert one.true_ppm(on + 30) - after == pytest.approx(2 / np.e)
    assert 0.001 < abs(after - before) < 0.4


def test_a_dip_is_where_it_was_put():
    chamber, one = device(dips=(DipSpec(at_c=50, depth_ppm=0.3),))
    assert one.settled_ppm(50) - one.settled_ppm(60) == pytest.approx(-0.3, abs=1e-5)
    assert chamber.at_place_c(50, 0) == 50


@pytest.fixture
def rack():
    clock = HostClock(scale=100.0)
    with SimulatedRack(rack_scenario(PART, 8, seed=3), clock) as served:
        yield served


@pytest.fixture
def talk(rack):
    manager = pyvisa.ResourceManager("@py")
    links = {}

    def ask(name, message):
        if name not in links:
            link = manager.open_resource(rack.addresses()[name])
            link.read_termination = link.write_termination = "\n"
            link.timeout = 5000
            links[name] = link
        if message.endswith("?") or "? " in message:
            return links[name].query(message)
        links[name].write(message)
        return links[name].query("SYSTem:ERRor?")

    yield ask
    manager.close()


def test_the_counter_sees_the_channel_that_is_closed(rack, talk):
    assert "9.9" in talk("counter", "READ?")  # nothing is connected: not a number
    seen = {}
    for channel in (101, 105):
        assert talk("scanner", f"ROUTe:CLOSe (@{channel})").startswith("0,")
        assert talk("scanner", "ROUTe:CLOSe:STATe?") == f"(@{channel})"
        seen[channel] = float(talk("counter", "READ?"))
        assert talk("scanner", "ROUTe:OPEN:ALL").startswith("0,")
    for channel, hz in seen.items():
        true = rack.devices[channel].true_ppm(rack.world.now_s())
        assert (hz / 10e6 - 1) * 1e6 == pytest.approx(true, abs=0.2)
    assert seen[101] != seen[105]
    talk("scanner", "ROUTe:CLOSe (@101:102)")
    assert "9.9" in talk("counter", "READ?")  # two at once
    assert talk("scanner", "ROUTe:CLOSe (@101,109)").startswith("-222")


def test_contacts_that_stick_or_are_lost_tell_so(rack, talk):
    rack.command("scanner stuck 103")
    assert talk("scanner", "ROUTe:CLOSe? (@101:104)") == "0,0,1,0"
    rack.command("scanner lost 104")
    talk("scanner", "ROUTe:CLOSe (@104)")
    assert talk("scanner", "ROUTe:CLOSe? (@104)") == "0"
    rack.command("scanner ok")
    assert talk("scanner", "ROUTe:CLOSe? (@104)") == "1"


def test_the_supply_feeds_the_devices(rack, talk):
    one = rack.devices[101]
    assert float(talk("supply", "MEASure:VOLTage?")) == pytest.approx(3.3)
    talk("supply", "SOURce:VOLTage 3.6")
    talk("supply", "SOURce:CURRent 0.5")
    assert one.volts.at(rack.world.now_s()) == 3.6
    talk("supply", "OUTPut OFF")
    assert float(talk("supply", "MEASure:VOLTage?")) == 0
    assert not one.runs(rack.world.now_s())
    assert talk("supply", "SOURce:VOLTage 60").startswith("-222")
    talk("pulling", "SOURce:VOLTage 2.0")
    assert one.control.at(rack.world.now_s()) == 2.0


def test_the_chamber_speaks_modbus_to_an_independent_client(rack):
    port = int(rack.addresses()["chamber"].rpartition(":")[2])
    client = ModbusTcpClient("127.0.0.1", port=port)
    assert client.connect()
    assert not client.write_register(0, (-400) & 0xFFFF).isError()
    assert rack.chamber.target_c == -40
    registers = client.read_holding_registers(0, count=5).registers
    assert client.convert_from_registers(registers[:1], client.DATATYPE.INT16) == -400
    assert registers[2:] == [1, 0, 40]
    assert client.write_register(0, 2000).isError()  # 200 C
    assert client.write_register(1, 0).isError()  # the probe
    assert client.read_holding_registers(4, count=2).isError()
    rack.command("chamber alarm 2")
    rack.command("chamber lies 5")
    probe, _, bits = client.read_holding_registers(1, count=3).registers
    assert bits == 2
    assert probe / 10 == pytest.approx(
        rack.chamber.probe_c(rack.world.now_s()) + 5, abs=2
    )
    assert not client.write_registers(2, [0]).isError()
    assert rack.chamber.target_c == rack.scenario.chamber.begin_c
    client.close()


def test_what_is_no_modbus_is_left_alone(rack):
    port = int(rack.addresses()["chamber"].rpartition(":")[2])
    for rubbish in (b"\x00" * 7, b"GET / HTTP/1.1\r\n\r\n", b"\xff" * 300):
        with socket.create_connection(("127.0.0.1", port), timeout=5) as link:
            link.sendall(rubbish)
            link.shutdown(socket.SHUT_WR)
            assert link.recv(64) == b""


def test_a_rack_has_a_bounded_number_of_places():
    with pytest.raises(UsageError, match="1 to 64"):
        rack_scenario(PART, 65)
