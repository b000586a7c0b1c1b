"""A virtual rack of simulated devices: the physics of `benchlog simulate --rack`."""

import tomllib
from dataclasses import replace
from functools import cached_property
from pathlib import Path

import numpy as np
from rack_scene import record_of
from recorder.rack.virtual_rack import PlainSetter, VirtualRack

from benchlog.catalogue import bench_from_mapping
from benchlog.cli.tasks.qualifying import rack_bounds, rack_task
from benchlog.clock import VirtualClock
from benchlog.evaluation.rack.turn_points import PointReadings, TimedEvent, points_of
from benchlog.model import Purpose, QualificationPlan, RunPlan, Timebase
from benchlog.simulate.instruments.scpi_meters import Meter, MeterSpec
from benchlog.simulate.physics.counting import InputSettings
from benchlog.simulate.rack_bench import SimulatedRack
from benchlog.simulate.rack_scenario import bench_lines
from benchlog.units import NS_PER_S
from benchlog.verdict.rack.device_view import Base
from benchlog.verdict.rack.findings import characteristics, rack_wander
from benchlog.verdict.rack.planned_steps import planned_steps
from benchlog.verdict.run.budget import timebase_line

_ADDRESS = "tcp://127.0.0.1:9"
INSTRUMENTS = ("counter", "probe", "chamber", "supply", "pulling", "scanner", "loads")


class RackSetter(PlainSetter):
    """One instrument of a simulated rack; `deed` carries out, `shown` measures."""

    def __init__(self, spec, clock, quantity, deed, shown):
        super().__init__(spec.options, clock, quantity)
        self._deed, self._shown = deed, shown

    def carry_out(self, value):
        self._deed(value)

    def measured(self):
        return self._shown()

    def switch(self, on):
        super().switch(on)
        self.switched(on)

    def switched(self, on):
        """What its output does when it is switched; nothing but for a supply."""


class Waiting:
    """What a counter needs for waiting: the clock is moved."""

    def __init__(self, clock):
        self._clock = clock

    def until(self, at_ns):
        self._clock.sleep((at_ns - self._clock.mono_ns()) / NS_PER_S)


class VirtualBench:
    """A scenario's devices in a rack that runs on a virtual clock."""

    def __init__(self, scenario, part, sequence, *, u_c=None, tick_s=2.5):
        self.scenario, self.part, self.sequence = scenario, part, sequence
        self.clock = clock = VirtualClock()
        self.served = served = SimulatedRack(scenario, clock)  # physics alone
        # private: the instruments of a rack that is never served
        self.instruments = dict(served._instruments())
        self.counter = self.instruments["counter"]._counter
        addresses = dict.fromkeys(INSTRUMENTS, _ADDRESS)
        addresses["chamber"] = "modbus://127.0.0.1:9"
        text = "\n".join(bench_lines(scenario, addresses))
        if u_c is not None:
            text = text.replace("u_c = 0.15", f"u_c = {u_c}")
        bench = bench_from_mapping(tomllib.loads(text), Path("rack.toml"))
        bounds = rack_bounds(part, sequence, bench.positions, bench)
        self.steps = planned_steps(sequence, part, bounds)
        self.plan = QualificationPlan(
            uid="0",
            sequence=sequence.id,
            title=sequence.title,
            source=sequence.source,
            finds=sequence.finds,
            steps=tuple(map(record_of, self.steps)),
            document={},
        )
        plans = tuple(
            RunPlan(
                purpose=Purpose.QUALIFY,
                device=f"DUT-{k + 1}",
                part=part,
                position=position.name,
                bench=bench,
                software="",
                qualification=self.plan,
            )
            for k, position in enumerate(bench.positions)
        )
        self.u_c = bench.instruments["probe"].u_c
        self.task = rack_task(plans, sequence, self.steps, bounds)
        probe = Meter(MeterSpec(), served.chamber.air_c, served.world, "probe")
        self.rack = VirtualRack(
            self.task,
            self._drivers(bench),
            clock,
            count=self._count,
            probe=probe.value,
            tick_s=tick_s,
        )

    def _drivers(self, bench):
        rack, now_s = self.served.rack, self.served.world.now_s

        def close(channel):
            closed = frozenset([int(channel)] if channel else [])
            rack.scanner = replace(rack.scanner, closed=closed)

        chamber = rack.chamber
        deeds = {
            "chamber": (
                "temperature",
                lambda value: chamber.send(round(value, 1), now_s()),
                lambda: chamber.probe_c(now_s()),
            ),
            "supply": (
                "voltage",
                lambda v: rack.set_volts(v, now_s()),
                rack.terminals_v,
            ),
            "pulling": (
                "voltage",
                lambda value: rack.set_control(now_s(), volts=value),
                lambda: rack.control_v,
            ),
            "loads": (
                "load",
                lambda value: rack.set_load(now_s(), pf=value),
                lambda: rack.load_pf,
            ),
            "scanner": (
                "channel",
                close,
                lambda: float(min(rack.scanner.closed, default=0)),
            ),
        }
        made = {
            name: RackSetter(bench.instruments[name], self.clock, *deed)
            for name, deed in deeds.items()
        }
        made["supply"].switched = lambda on: rack.set_output(on, now_s())
        return made

    def _count(self, run):
        gate = self.counter.begin(1.0, 1, InputSettings())
        count = self.counter.finish(gate, Waiting(self.clock))
        return None if np.isnan(count.hz) else count.hz

    def go(self):
        self.rack.go()
        return self

    def points(self, run):
        """Return the points of a run, as the store would give them."""
        at_ns = np.array(run.at_ns, np.int64)
        nominal = self.part.nominal_hz
        ppm = (np.array(run.hz) - nominal) / nominal * 1e6
        ambient = np.array(run.ambient_c)
        segment = np.zeros(len(at_ns), np.int64)
        readings = PointReadings(
            at_ns=at_ns, ppm=ppm, ambient_c=ambient, segment=segment
        )
        timed = [
            TimedEvent(event=one, segment=0, at_ns=one.utc_ns) for one in run.events
        ]
        return list(points_of(timed, readings, self.plan))

    def found(self, run, timebase_u_ppm=0.01 / 3**0.5):
        """Return points and characteristics of a run, by name."""
        points = self.points(run)
        stated = Timebase(status="stated", offset_ppm=0.0, u_ppm=timebase_u_ppm)
        base = Base(
            timebase=(timebase_line(stated),),
            thermometer_u_c=self.u_c,
            wander=self._wander[run.run_id],
        )
        lines = characteristics(self.plan, self.part, points, base)
        return points, {line.name: line for line in lines}

    @cached_property
    def _wander(self):
        """How restless each device is, as all of them tell, by run."""
        runs = self.rack.runs
        told = rack_wander(self.plan, self.part, [self.points(one) for one in runs])
        return dict(zip((one.run_id for one in runs), told, strict=True))

    def bench_s(self, utc_ns):
        """Return the simulated world's time of a moment."""
        since_ns = utc_ns - self.clock.utc_ns() + self.clock.mono_ns()
        return self.served.world.since_start_ns(since_ns) / NS_PER_S
