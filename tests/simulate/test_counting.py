"""A counter: sign of its time base, resolution, ranges, what it takes for a signal."""

import math

import pytest

from benchlog.clock import VirtualClock
from benchlog.simulate.bench_wait import Patience
from benchlog.simulate.physics.counting import (
    Counter,
    CounterSpec,
    InputSettings,
    InputSpec,
)
from benchlog.simulate.physics.oscillator import Oscillator, OscillatorSpec
from benchlog.simulate.physics.room import (
    Room,
    RoomSpec,
    Supply,
    SupplySpec,
)
from benchlog.simulate.physics.world import World


def counter(spec: CounterSpec, device: OscillatorSpec, divider: float = 1.0) -> Counter:
    clock = VirtualClock()
    room = Room(
        RoomSpec(mean_c=25.0, drift_c_per_day=0.0, swing_c=0.0, draft_c=0.0), "r"
    )
    supply = Supply(SupplySpec(3.3, 0.0))
    world = World(clock=clock, epoch_ns=clock.mono_ns(), room=room, supply=supply)
    world.devices["A"] = Oscillator(device, room, supply, "device")
    return Counter(spec, {1: InputSpec("A", divider)}, world, "counter")


def count(
    counter: Counter, gate_s: float = 1.0, front: InputSettings | None = None, which=1
):
    # private: the world of a counter that the test makes move
    patience = Patience(counter._world.clock)
    return counter.finish(
        counter.begin(gate_s, which, front or InputSettings()), patience
    )


# A counter whose time base is fast reads low (common practice, no source; it follows
# from counting f_true for gate/(1 + y) seconds).
@pytest.mark.parametrize("timebase_ppm", [0.5, -0.5])
def test_a_fast_time_base_reads_low(timebase_ppm):
    spec = CounterSpec(timebase_ppm=timebase_ppm, resolution_s=1e-12)
    found = count(counter(spec, OscillatorSpec(nominal_hz=10e6, offset_ppm=10.0)))
    read_ppm = (found.hz / 10e6 - 1) * 1e6
    assert read_ppm == pytest.approx(10.0 - timebase_ppm, abs=1e-4)
    assert found.hz * (1 + timebase_ppm * 1e-6) == pytest.approx(
        found.true_hz, rel=1e-11
    )
    assert found.true_hz == pytest.approx(10e6 * (1 + 10e-6), rel=1e-12)


def test_the_gate_is_as_long_as_the_time_base_believes():
    one = counter(CounterSpec(timebase_ppm=100.0), OscillatorSpec(nominal_hz=10e6))
    # private: the world of a counter that the test makes move
    begin_ns = one._world.clock.mono_ns()
    assert count(one).mono_ns - begin_ns == pytest.approx(1e9 / (1 + 1e-4), abs=1)


def test_warm_up_and_ageing_of_the_time_base():
    spec = CounterSpec(
        timebase_ppm=0.1, timebase_ageing_ppm_per_year=1.0, warmup_ppm=2.0, warmup_s=600
    )
    assert spec.timebase_y(0.0) == pytest.approx(2.1e-6)
    assert spec.timebase_y(600.0) == pytest.approx((0.1 + 2 / math.e) * 1e-6, rel=1e-4)
    assert spec.timebase_y(365.25 * 86_400) == pytest.approx(1.1e-6)


@pytest.mark.parametrize(("gate_s", "step_hz"), [(1.0, 1.0), (0.1, 10.0), (10.0, 0.1)])
def test_a_direct_counter_counts_whole_cycles(gate_s, step_hz):
    one = counter(
        CounterSpec(resolution_s=0.0), OscillatorSpec(nominal_hz=10e6, offset_ppm=0.05)
    )
    shown = {count(one, gate_s).hz for _ in range(60)}
    true = 10e6 * (1 + 0.05e-6)
    assert all((hz / step_hz) == pytest.approx(round(hz / step_hz)) for hz in shown)
    assert all(abs(hz - true) <= step_hz for hz in shown)


def test_a_reciprocal_counter_resolves_in_proportion_to_the_gate():
    one = counter(CounterSpec(resolution_s=1e-9), OscillatorSpec(nominal_hz=16e6))
    short, long = count(one, 0.01), count(one, 10.0)
    assert short.step_hz == 1.0  # 16e6 * 1e-9 / 0.01 = 1.6 Hz, down to the decade
    assert long.step_hz == pytest.approx(1e-3)
    spread = [count(one, 1.0).hz - 16e6 for _ in range(400)]
    rms = math.sqrt(sum(s * s for s in spread) / 400)
    # two stops, each anywhere within a step: triangular, sd = step/sqrt(6) (GUM 4.3.9)
    assert rms == pytest.approx(16e6 * 1e-9 / math.sqrt(6), rel=0.15)


def test_the_divider_divides():
    one = counter(CounterSpec(), OscillatorSpec(nominal_hz=32_768.0), divider=4)
    assert count(one).hz == pytest.approx(8192.0, abs=1e-3)


@pytest.mark.parametrize(
    ("front", "seen"),
    [
        (InputSettings(), True),
        (InputSettings(level_v=1.0), True),
        (InputSettings(level_v=3.4), False),
        (InputSettings(level_v=-0.1), False),
        (
            InputSettings(level_v=2.0, impedance_ohm=50.0),
            False,
        ),  # half of 3.3 V is left
        (InputSettings(level_v=1.0, impedance_ohm=50.0), True),
        (InputSettings(coupling="AC", level_v=0.0), True),
        (InputSettings(coupling="AC", level_v=1.7), False),
        (InputSettings(low_pass=True), False),  # 100 kHz filter, 16 MHz signal
    ],
)
def test_what_counts_as_a_signal(front, seen):
    one = counter(CounterSpec(), OscillatorSpec(nominal_hz=16e6))
    assert math.isfinite(count(one, front=front).hz) == seen


def test_nothing_wired_and_nothing_inserted_is_no_signal_after_a_whole_gate():
    one = counter(CounterSpec(), OscillatorSpec(nominal_hz=16e6))
    # private: the world of a counter that the test makes move
    begin_ns = one._world.clock.mono_ns()
    assert math.isnan(count(one, which=2).hz)
    assert one._world.clock.mono_ns() - begin_ns == pytest.approx(1e9, abs=2)
    del one._world.devices["A"]
    assert math.isnan(count(one).hz)


def test_beyond_the_range_is_overload():
    one = counter(CounterSpec(max_hz=10e6), OscillatorSpec(nominal_hz=16e6))
    assert count(one).hz == math.inf
