"""An oscillator's frequency: offset, temperature law, supply, ageing, knocks."""

import pytest

from benchlog.analysis.laws import kind_law
from benchlog.model import Kind, TemperatureLaw
from benchlog.simulate.physics.noise import Noise
from benchlog.simulate.physics.oscillator import Oscillator, OscillatorSpec
from benchlog.simulate.physics.room import (
    Room,
    RoomSpec,
    Supply,
    SupplySpec,
)

NS = 1_000_000_000


def still_room(celsius: float) -> Room:
    return Room(
        RoomSpec(mean_c=celsius, drift_c_per_day=0.0, swing_c=0.0, draft_c=0.0), "still"
    )


def oscillator(spec: OscillatorSpec, celsius: float = 25.0, seed: str = "osc"):
    return Oscillator(spec, still_room(celsius), Supply(SupplySpec(3.3, 0.0)), seed)


def mean_ppm(device: Oscillator, from_s: float, to_s: float) -> float:
    before = device.excess_s(round(from_s * NS))
    gained = device.excess_s(round(to_s * NS)) - before
    nominal = device.spec.nominal_hz
    return (device.mean_hz(gained, to_s - from_s) / nominal - 1) * 1e6


def test_offset_is_exact_without_noise():
    device = oscillator(OscillatorSpec(nominal_hz=16e6, offset_ppm=-9.25))
    assert mean_ppm(device, 3.0, 4.0) == pytest.approx(-9.25, abs=1e-9)
    # 148 Hz low at 16 MHz is -9.25 ppm (common practice, no source)
    assert device.mean_hz(0.0, 1.0) == pytest.approx(16e6 - 148)


# Tuning fork, k = 0.030 at 45 C: -12.0 ppm is a maker's own worked example.
def test_temperature_law_acts():
    law = TemperatureLaw(law="parabola", reference_c=25.0, quadratic_ppm_per_c2=-0.030)
    device = oscillator(OscillatorSpec(nominal_hz=32_768.0, law=law), celsius=45.0)
    assert mean_ppm(device, 0.0, 10.0) == pytest.approx(-12.0, abs=1e-6)


# Common practice, no source: 20 kHz over 10 C at 8 MHz.
def test_an_rc_warmed_by_ten_degrees_moves_20_khz_after_its_lag():
    spec = OscillatorSpec(nominal_hz=8e6, law=kind_law(Kind.RC), lag_s=4.0)
    device = oscillator(spec)
    before = mean_ppm(device, 0.0, 1.0)
    device.warm(10.0, 1.0)
    early, late = mean_ppm(device, 1.0, 2.0), mean_ppm(device, 100.0, 101.0)
    assert (late - before) * 8 == pytest.approx(20_000, abs=1)
    assert 0.05 < (early - before) / (late - before) < 0.25


def test_supply_sensitivity():
    supply = Supply(SupplySpec(3.3, 0.0))
    spec = OscillatorSpec(nominal_hz=8e6, supply_v=3.3, supply_ppm_per_v=1000.0)
    device = Oscillator(spec, still_room(25.0), supply, "s")
    supply.set_volts(3.0, 10.0)
    assert mean_ppm(device, 0.0, 5.0) == pytest.approx(0.0, abs=1e-9)
    assert mean_ppm(device, 20.0, 21.0) == pytest.approx(-300.0)


# MIL-PRF-55310, A ln(B t + 1), A = 0.5 ppm, B = 0.3/day: 1.151293 ppm after 30 days.
def test_ageing():
    spec = OscillatorSpec(
        nominal_hz=10e6, ageing_a_ppm=0.5, ageing_b_per_day=0.3, age_days=0.0
    )
    device = oscillator(spec)
    assert mean_ppm(device, 30 * 86_400.0, 30 * 86_400.0 + 1) == pytest.approx(
        1.151293, abs=1e-5
    )


def test_a_knock_is_a_step():
    device = oscillator(OscillatorSpec(nominal_hz=16e6, offset_ppm=1.0))
    device.step(0.5, 10.0)
    assert mean_ppm(device, 8.0, 9.0) == pytest.approx(1.0)
    assert mean_ppm(device, 11.0, 12.0) == pytest.approx(1.5)


def test_same_seed_same_oscillator():
    spec = OscillatorSpec(nominal_hz=16e6, noise=Noise(1e-10, 1e-9, 1e-9, 1e-11))
    looks = [round(t * NS) for t in (0.1, 1.0, 1.1, 500.0)]
    first, second = oscillator(spec), oscillator(spec)
    assert [first.excess_s(t) for t in looks] == [second.excess_s(t) for t in looks]
    other = oscillator(spec, seed="another")
    assert other.excess_s(looks[-1]) != first.excess_s(looks[-1])


def test_a_look_back_is_answered_and_disturbs_nothing():
    spec = OscillatorSpec(nominal_hz=16e6, noise=Noise(white_fm=1e-9))
    device, untouched = oscillator(spec), oscillator(spec)
    at_2 = device.excess_s(2 * NS), untouched.excess_s(2 * NS)
    assert device.excess_s(NS) == pytest.approx(at_2[0], abs=1e-8)
    assert device.excess_s(3 * NS) == untouched.excess_s(3 * NS)


def test_two_watchers_with_overlapping_gates_agree():
    spec = OscillatorSpec(nominal_hz=8e6, noise=Noise(white_fm=1e-6))
    device = oscillator(spec)
    marks = [device.excess_s(k * NS // 2) for k in range(5)]
    first, second = marks[2] - marks[0], marks[3] - marks[1]
    assert first != second
    assert first + (marks[3] - marks[2]) == pytest.approx(marks[1] - marks[0] + second)


def test_long_gaps_follow_a_moving_room():
    room = Room(
        RoomSpec(mean_c=25.0, drift_c_per_day=10.0, swing_c=0.0, draft_c=0.0), "r"
    )
    law = TemperatureLaw(law="line", reference_c=25.0, linear_ppm_per_c=1.0)
    spec = OscillatorSpec(nominal_hz=1e6, law=law, lag_s=0.0)
    device = Oscillator(spec, room, Supply(SupplySpec()), "r")
    gained = device.excess_s(86_400 * NS)
    assert gained == pytest.approx(5e-6 * 86_400, rel=1e-6)  # half of 10 ppm, a day
