"""A whole simulated bench: bench file, seed, truth, speed, and that nothing is left."""

import dataclasses
import json
import os
import threading
from itertools import pairwise

import pytest
from simulate.lab import Line, now_s, scenario, serving
from waiting import wait_for

from benchlog.catalogue import load_bench, load_part, load_parts
from benchlog.clock import HostClock, VirtualClock, host_sleep
from benchlog.errors import NotFoundError
from benchlog.simulate import DemoBench, SimulatedBench, Via, demo_scenario
from benchlog.simulate.instruments.scpi_meters import MeterSpec
from benchlog.simulate.scenario import CounterAt, MeterAt

PART = "quartz-16mhz-30ppm"


def ours() -> set[threading.Thread]:
    return set(threading.enumerate())


@pytest.mark.parametrize("via", list(Via))
def test_the_bench_file_is_accepted(via, tmp_path):
    demo = demo_scenario(
        load_part(PART), bench=DemoBench(via=via, positions=2, supply_meter=True)
    )
    if via in (Via.LINE, Via.LINE_TCP, Via.RFC2217):
        demo = dataclasses.replace(
            demo, thermometer=MeterAt("room", MeterSpec(), (via,))
        )
    path = tmp_path / "sim.toml"
    with serving(demo, HostClock()) as (running, addresses):
        path.write_text(running.bench_toml())
        bench = load_bench(str(path))
    assert [p.name for p in bench.positions] == ["A", "B"]
    counter, room = bench.instruments["counter"], bench.instruments["room"]
    assert counter.address == addresses["counter"]
    assert bench.positions[0].ambient == "room"
    assert bench.positions[1].supply == "meter"
    talks = via in (Via.LINE, Via.LINE_TCP, Via.RFC2217)
    # whoever can be asked says so itself; for the others the file must
    assert (counter.simulated, room.simulated) == (talks, talks)


@pytest.mark.parametrize("part", load_parts(), ids=lambda part: part.id)
def test_a_demo_device_lies_well_inside_its_tolerance(part):
    offsets = []
    for seed in range(40):
        demo = demo_scenario(part, seed=seed)
        offsets.append(demo.places[0].oscillator.offset_ppm)
    limit = part.limits.tolerance_ppm
    assert max(map(abs, offsets)) <= 0.4 * limit
    assert max(offsets) > 0.1 * limit > -0.1 * limit > min(offsets)
    assert demo.places[0].oscillator.nominal_hz == part.nominal_hz
    assert demo_scenario(part, offset_ppm=1.5).places[0].oscillator.offset_ppm == 1.5


def readings(seed: int, count: int = 30) -> list[bytes]:
    demo = demo_scenario(load_part(PART), seed=seed)
    with serving(demo, VirtualClock()) as (_, addresses):
        line = Line(addresses["counter"])
        line.say("CONF:FREQ;:SENS:FREQ:APER 1")
        found = [line.ask("READ?") for _ in range(count)]
        line.close()
    return found


def test_the_seed_decides_everything():
    first = readings(7)
    assert first == readings(7)
    assert first != readings(8)
    assert len(set(first)) > 5  # it does scatter


def test_each_time_base_has_a_serial_number_of_its_own():
    # a reference check belongs to a serial number
    part = load_part("quartz-16mhz-30ppm")
    asked = [(1, None), (7, None), (7, 0.3), (7, -0.3), (1, 0.3)]
    serials = []
    for seed, off in asked:
        bench = DemoBench(positions=2, timebase_ppm=off)
        made = demo_scenario(part, seed=seed, bench=bench)
        serials += [at.spec.serial for at in made.counters]
    assert len(set(serials)) == 2 * len(asked)
    assert serials[0] == "SIM-0001"
    other = load_part("rc-8mhz-trimmed")  # the same counter, another device
    assert demo_scenario(other, seed=7).counters[0].spec.serial == serials[2]


def test_identity_and_bench_file_say_simulated():
    with serving(scenario(), HostClock()) as (bench, addresses):
        for name in ("counter", "room"):
            line = Line(addresses[name])
            assert line.ask("*IDN?").startswith(b"SIMULATED,")
            line.close()
        assert "simulated" in bench.bench_toml()


def test_truth_is_what_came_over_the_wire(tmp_path):
    path = tmp_path / "truth.jsonl"
    bench = SimulatedBench(scenario(), HostClock(), truth=path)
    try:
        line = Line(bench.start()["counter"])
        line.say("FREQ:APER 0.002")
        heard = [line.ask("READ?") for _ in range(50)]
        bench.command("counter half")
        line.say("READ?")
        heard_half = line.socket.recv(100)
        line.ask("*OPC?")
        line.close()
    finally:
        bench.stop()
    rows = [json.loads(row) for row in path.read_text().splitlines()]
    assert [row["text"].encode() + b"\n" for row in rows[:50]] == heard
    assert rows[50]["fault"] == "half"
    assert rows[50]["text"].encode().startswith(heard_half)
    assert {row["fault"] for row in rows[:50]} == {""}
    ends = [row["mono_ns"] for row in rows]
    assert ends == sorted(set(ends))
    assert all(row["sent_ns"] >= row["mono_ns"] for row in rows)
    assert rows[0]["true_hz"] == pytest.approx(16e6 * (1 + 10e-6), rel=1e-9)
    assert [s.text for s in bench.served("counter")] == [row["text"] for row in rows]


def test_what_nobody_received_is_not_in_the_truth():
    with serving(scenario(), HostClock()) as (bench, addresses):
        line = Line(addresses["counter"])
        line.say("FREQ:APER 0.5;:READ?")
        host_sleep(0.1)
        line.close()
        again = Line(addresses["counter"])
        heard = again.ask("FREQ:APER 0.5;:READ?")  # its gate ends after the other's
        again.close()
        # noted just after it was sent: a busy machine hears it before
        wait_for(lambda: bench.served("counter"))
        (served,) = bench.served("counter")
        assert served.text == heard.decode().strip()


def test_an_hour_in_a_second():
    scaled = HostClock(3600.0)
    with serving(scenario(), scaled) as (bench, addresses):
        line = Line(addresses["counter"])
        line.say("FREQ:APER 60")
        begin, bench_begin = now_s(), scaled.mono_ns()
        values = [float(line.ask("READ?")) for _ in range(30)]
        took, bench_took = now_s() - begin, scaled.mono_ns() - bench_begin
        line.close()
    assert bench_took / 1e9 >= 30 * 60
    assert took == pytest.approx(bench_took / 1e9 / 3600, rel=0.2)
    assert values == pytest.approx([16e6 * 1.00001] * 30, abs=0.1)
    ends = [served.mono_ns for served in bench.served("counter")]
    assert min(b - a for a, b in pairwise(ends)) >= 60e9


def test_two_clients_share_one_counter():
    with serving(scenario(), HostClock()) as (_, addresses):
        first, second = Line(addresses["counter"]), Line(addresses["counter"])
        first.say("FREQ:APER 0.6;:READ?")
        host_sleep(0.1)
        begin = now_s()
        assert second.ask("*IDN?").startswith(b"SIMULATED,")  # waits its turn
        assert now_s() - begin > 0.2
        assert float(first.hear()) == pytest.approx(16e6, rel=1e-4)
        first.close()
        second.close()


def test_nothing_is_left_when_it_stops():
    before, files = ours(), len(os.listdir("/proc/self/fd"))
    for _ in range(2):
        bench = SimulatedBench(scenario(*Via), HostClock())
        addresses = bench.start()
        lines = [
            Line(addresses[name])
            for name in (
                "counter",
                "counter@hislip",
                "counter@vxi11",
                "counter@rfc2217",
            )
        ]
        lines[0].say("FREQ:APER 100;:READ?")
        host_sleep(0.05)
        begin = now_s()
        bench.stop()
        assert now_s() - begin < 2
        assert lines[0].hear() == b""
        for line in lines:
            line.close()
        assert not os.path.lexists(addresses["counter@line"])
    assert ours() == before
    assert len(os.listdir("/proc/self/fd")) <= files


def test_clients_that_come_and_go_leave_nothing():
    with serving(scenario(), HostClock()) as (_, addresses):
        Line(addresses["counter"]).close()
        host_sleep(0.1)
        before = len(ours())
        for _ in range(20):
            line = Line(addresses["counter"])
            line.say("READ?")
            line.close()
        deadline = now_s() + 5
        while len(ours()) > before and now_s() < deadline:
            host_sleep(0.05)
        assert len(ours()) <= before


def test_an_unknown_line_form_is_named():
    talking = dataclasses.replace(
        scenario(),
        counters=(
            CounterAt(
                name="counter", inputs={1: "A"}, via=(Via.LINE,), dialect="line-hx"
            ),
        ),
    )
    before = ours()
    bench = SimulatedBench(talking, HostClock())
    with pytest.raises(NotFoundError, match="line-hz"):
        bench.start()
    # private: the folder whose end is asserted
    assert not bench._folder.exists()
    assert ours() == before


@pytest.mark.benchmark
def test_gates_of_a_millisecond_come_at_900_a_second():
    with serving(scenario(), HostClock()) as (_, addresses):
        line = Line(addresses["counter"])
        line.say("FREQ:APER 0.001")
        rates = []
        for _ in range(3):
            begin = now_s()
            for _ in range(1000):
                line.ask("READ?")
            rates.append(1000 / (now_s() - begin))
        line.close()
    assert max(rates) > 900


def test_three_positions_have_a_counter_each(tmp_path):
    demo = demo_scenario(load_part(PART), bench=DemoBench(positions=3))
    path = tmp_path / "trio.toml"
    with serving(demo, HostClock()) as (running, _):
        path.write_text(running.bench_toml())
        bench = load_bench(str(path))
    assert [one.name for one in bench.positions] == ["A", "B", "C"]
    assert len({at.spec.serial for at in demo.counters}) == 3
