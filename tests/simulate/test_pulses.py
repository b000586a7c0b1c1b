"""Pulses of the simulated bench: when they leave, and what of them arrives."""

from dataclasses import replace
from itertools import islice, pairwise

import pytest
from benchlog_drivers._nmea import read_sentence
from benchlog_drivers.pulse_edge import PulseEdge
from simulate.lab import QUARTZ, scenario, serving

from benchlog.catalogue import load_bench
from benchlog.clock import HostClock, VirtualClock
from benchlog.errors import NotFoundError
from benchlog.model import Flag
from benchlog.simulate import Via
from benchlog.simulate.bench import _world
from benchlog.simulate.bench_wait import Patience
from benchlog.simulate.physics.counting import Counter, CounterSpec, InputSettings
from benchlog.simulate.physics.pulse_trains import (
    DividedTrain,
    ReceiverTrain,
    TimebaseTrain,
)
from benchlog.simulate.physics.receiver import Receiver, ReceiverSpec, sentences
from benchlog.simulate.ready_scenarios import REFERENCE_INPUT, by_pulses, with_reference
from benchlog.simulate.scenario import PulsesAt, ReceiverAt, Wiring

SHARP = ReceiverSpec(jitter_s=0.0)
PER_NS = 1e-9


def world_of(**changes):
    clock = VirtualClock()
    return clock, _world(replace(scenario(), **changes), clock)


def leave(train, clock, count) -> list[float]:
    """When pulses leave, in s since the bench was switched on."""
    begin_ns = clock.mono_ns()
    pulses = islice(train.pulses(Patience(clock)), count)
    return [(pulse.mono_ns - begin_ns) * PER_NS for pulse in pulses]


def rate_ppm(times: list[float]) -> float:
    return ((len(times) - 1) / (times[-1] - times[0]) - 1) * 1e6


# --- when they leave ------------------------------------------------------------------


def test_a_receiver_pulses_on_the_second_within_its_sawtooth():
    clock, world = world_of()
    spec = replace(SHARP, sawtooth_s=40e-9)
    times = leave(ReceiverTrain(Receiver(spec, "r"), world), clock, 200)
    errors = [time - round(time) for time in times]
    assert max(errors) - min(errors) == pytest.approx(40e-9, rel=0.1)
    assert max(map(abs, errors)) <= 20.5e-9


@pytest.mark.parametrize("host_ppm", [40.0, -40.0])
def test_a_fast_host_sees_long_seconds(host_ppm):
    clock, world = world_of(host_ppm=host_ppm)
    times = leave(ReceiverTrain(Receiver(SHARP, "r"), world), clock, 300)
    assert rate_ppm(times) == pytest.approx(-host_ppm, abs=0.01)


def test_missed_and_doubled_pulses():
    clock, world = world_of()
    spec = replace(SHARP, missed=0.05, doubled=0.01)
    train = ReceiverTrain(Receiver(spec, "r"), world)
    pulses = list(islice(train.pulses(Patience(clock)), 4000))
    seconds = {pulse.second for pulse in pulses}
    missing = max(seconds) - min(seconds) + 1 - len(seconds)
    assert missing == pytest.approx(0.05 * 4000, rel=0.35)
    assert sum(pulse.extra for pulse in pulses) == pytest.approx(40, rel=0.6)


def test_without_a_fix_it_drifts_and_says_so():
    clock, world = world_of()
    spec = replace(SHARP, dropouts=((10, 110),), free_ppm=1.0)
    train = ReceiverTrain(Receiver(spec, "r"), world)
    pulses = list(islice(train.pulses(Patience(clock)), 150))
    assert [p.second for p in pulses if not p.fix] == list(range(10, 110))
    begin_ns = world.epoch_ns
    last = next(p for p in pulses if p.second == 109)
    late_s = (last.mono_ns - begin_ns) * PER_NS - 109
    assert late_s == pytest.approx(-99e-6, abs=1e-6)


@pytest.mark.parametrize("offset_ppm", [10.0, -10.0])
def test_a_divided_device_keeps_its_offset(offset_ppm):
    clock, world = world_of()
    world.devices["A"].spec = replace(QUARTZ, offset_ppm=offset_ppm)
    times = leave(DividedTrain("A", 1.0, world), clock, 200)
    assert rate_ppm(times) == pytest.approx(offset_ppm, abs=0.01)
    again = leave(DividedTrain("A", 10.0, world), clock, 50)
    assert (again[-1] - again[0]) * (1 + offset_ppm * 1e-6) == pytest.approx(4.9)


@pytest.mark.parametrize("timebase_ppm", [0.5, -0.5])
def test_a_divided_time_base_keeps_its_offset(timebase_ppm):
    clock, world = world_of()
    spec = CounterSpec(timebase_ppm=timebase_ppm)
    times = leave(TimebaseTrain(spec, 1.0, world), clock, 200)
    assert rate_ppm(times) == pytest.approx(timebase_ppm, abs=1e-4)


def test_a_time_base_that_warms_up_drifts():
    clock, world = world_of()
    spec = CounterSpec(warmup_ppm=2.0, warmup_s=100.0)
    times = leave(TimebaseTrain(spec, 1.0, world), clock, 400)
    assert rate_ppm(times[:20]) > 1.5
    assert rate_ppm(times[-20:]) < 0.1


@pytest.mark.parametrize("timebase_ppm", [0.5, -0.5])
def test_a_counter_at_the_receiver_reads_its_own_time_base(timebase_ppm):
    made = with_reference(scenario(), Wiring.PERIOD)
    clock = VirtualClock()
    world = _world(made, clock)
    spec = CounterSpec(timebase_ppm=timebase_ppm, resolution_s=1e-10)
    counter = Counter(spec, made.inputs(made.counters[0]), world, "c")
    counts = []
    for _ in range(50):
        gate = counter.begin(10.0, REFERENCE_INPUT, InputSettings())
        counts.append(counter.finish(gate, Patience(clock)).hz)
    # a fast time base reads low
    assert (sum(counts) / 50 - 1) * 1e6 == pytest.approx(-timebase_ppm, abs=0.002)


# --- what arrives ---------------------------------------------------------------------


@pytest.mark.parametrize("fix", [True, False])
def test_sentences_are_sound(fix):
    reports = [
        read_sentence(line) for line in sentences(1_900_000_000 * 10**9, fix=fix)
    ]
    assert [report.kind for report in reports] == ["GGA", "RMC", "ZDA"]
    assert [report.fix for report in reports] == [fix, fix, None]
    assert {report.second for report in reports} == {64_000.0}
    assert reports[1].day == reports[2].day
    assert str(reports[1].day) == "2030-03-17"


def samples(address, options, count, clock):
    driver = PulseEdge(address, options, clock)
    driver.open()
    try:
        return [driver.read() for _ in range(count)]
    finally:
        driver.close()


@pytest.mark.parametrize("via", [Via.LINE, Via.RFC2217])
def test_a_receiver_over_a_real_line(via):
    clock = HostClock(4.0)
    made = replace(scenario(), receiver=ReceiverAt(via=via))
    with serving(made, clock) as (bench, addresses):
        options = {"line": "rx", "data_address": addresses.get("receiver@data")}
        if via is Via.RFC2217:
            options = {"line": "dcd", "nmea": True, "poll_s": 0.001}
        with_fix = samples(addresses["receiver"], options, 4, clock)
        bench.lose_fix("receiver", 1000.0)
        without = samples(addresses["receiver"], options, 3, clock)
        with pytest.raises(NotFoundError):
            bench.lose_fix("room", 1.0)
    assert [sample.flags for sample in with_fix] == [Flag.NONE] * 4
    assert without[-1].flags == Flag.NO_FIX
    spacing = [(b.mono_ns - a.mono_ns) * PER_NS for a, b in pairwise(with_fix)]
    if via is Via.RFC2217:  # a pulse is over before a busy computer asks for the line
        spacing = [one - max(round(one), 1) + 1.0 for one in spacing]
    assert spacing == pytest.approx([1.0] * 3, abs=0.3)


def test_a_bench_file_of_every_wiring_loads(tmp_path):
    clock = HostClock(4.0)
    receiver = ReceiverAt(via=Via.RFC2217)
    for wiring in (Wiring.PERIOD, Wiring.FREQUENCY, Wiring.PULSES):
        made = with_reference(scenario(), wiring, receiver)
        with serving(made, clock) as (bench, _):
            path = tmp_path / f"{wiring}.toml"
            path.write_text(bench.bench_toml())
        found = load_bench(str(path))
        assert found.reference is not None
        assert found.reference.counter == "counter"
        assert (found.reference.pulses is not None) == (wiring is Wiring.PULSES)


def test_a_bench_file_by_pulses_alone_loads(tmp_path):
    made = by_pulses(scenario(), receiver=ReceiverAt())
    with serving(made, HostClock()) as (bench, _):
        (tmp_path / "b.toml").write_text(bench.bench_toml())
    (position,) = load_bench(str(tmp_path / "b.toml")).positions
    assert (position.frequency, position.reference) == ("pulses", "receiver")
    assert position.divider == 16e6


def test_a_pulse_line_can_be_silenced():
    clock = HostClock(20.0)
    made = replace(scenario(), pulses=(PulsesAt("tb", "counter"),))
    with serving(made, clock) as (bench, addresses):
        bench.command("tb no-signal x3")
        found = samples(addresses["tb"], {"line": "rx"}, 4, clock)
    steps = [b.mono_ns - a.mono_ns for a, b in pairwise(found)]
    assert min(steps) * PER_NS > 0.5
