"""A simulated rack: chamber, supply, control voltage, scanner, counter, devices.

The chamber is served twice: over Modbus TCP and over SCPI, one chamber behind both.
"""

import math
import random
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

from benchlog.clock import Clock
from benchlog.errors import NotFoundError, UsageError
from benchlog.model import Part
from benchlog.simulate.control_port import ControlPort
from benchlog.simulate.instrument_servers import AnyServer
from benchlog.simulate.instruments.chamber_registers import DOOR_OPEN, ChamberRegisters
from benchlog.simulate.instruments.faults import Faults
from benchlog.simulate.instruments.scpi_counter import SimulatedScpiCounter
from benchlog.simulate.instruments.scpi_device import ScpiDevice
from benchlog.simulate.instruments.scpi_meters import (
    THERMOMETER_HEADER,
    Meter,
    MeterSpec,
    SimulatedScpiMeter,
)
from benchlog.simulate.instruments.scpi_rack import (
    RackInstrument,
    SimulatedScanner,
    SimulatedScpiChamber,
    SimulatedSupply,
)
from benchlog.simulate.instruments.station import Station
from benchlog.simulate.physics.chamber import Chamber, ChamberSpec
from benchlog.simulate.physics.counting import Counter, CounterSpec, InputSpec
from benchlog.simulate.physics.rack import Rack, ScannedSignal
from benchlog.simulate.physics.rack_device import DipSpec, RackDevice, RackDeviceSpec
from benchlog.simulate.physics.room import Room, RoomSpec, Supply, SupplySpec
from benchlog.simulate.physics.world import World
from benchlog.simulate.ready_scenarios import demo_device
from benchlog.simulate.served_log import ServedValue, Truth
from benchlog.simulate.transports.byte_stream import TcpServer, conversing
from benchlog.simulate.transports.modbus_server import ModbusServer

FIRST_CHANNEL: Final = 101
MOST_DEVICES: Final = 64
_SCANNED: Final = "scanner output"
_DIPS: Final = 0.15  # of devices have an activity dip; our rule, invented
# Shares of what the part promises, or of its tolerance, that drawn devices use up; our
# rule, invented: most devices pass, a few do not.
_USED: Final = 0.35


@dataclass(frozen=True, slots=True, kw_only=True)
class RackScenario:
    """What a simulated rack is made of; the same seed, the same rack."""

    devices: tuple[RackDeviceSpec, ...]
    seed: int = 1
    chamber: ChamberSpec = field(default=ChamberSpec())
    counter: CounterSpec = field(
        default=CounterSpec(resolution_s=1e-10, stated_ppm=0.01, serial="SIM-R001")
    )
    gate_s: float = 1.0
    title: str = "simulated rack"


def rack_scenario(part: Part, devices: int, seed: int = 1) -> RackScenario:
    """Return a rack of plausible devices of a part.

    Raises UsageError for more devices than a scanner has channels.
    """
    if not 1 <= devices <= MOST_DEVICES:
        raise UsageError(f"a rack has 1 to {MOST_DEVICES} devices, not {devices}")
    return RackScenario(
        devices=tuple(
            rack_device(part, f"{seed}/rack/{place}") for place in range(devices)
        ),
        seed=seed,
        counter=CounterSpec(
            resolution_s=1e-10,
            stated_ppm=0.01,
            serial=f"SIM-R{seed:03d}",
            timebase_ppm=random.Random(f"{seed}/timebase").uniform(-8e-3, 8e-3),  # noqa: S311
        ),
        title=f"simulated rack of {devices} x {part.title or part.id}",
    )


def rack_device(part: Part, seed: str) -> RackDeviceSpec:
    """Return one plausible device of a part."""
    rng = random.Random(seed)  # noqa: S311 - physics, no secret
    limits = part.limits
    usual = limits.stability_ppm or limits.tolerance_ppm

    def about(promised: float | None, otherwise: float) -> float:
        return (promised or otherwise) * _USED * math.exp(0.5 * rng.gauss())

    plain = demo_device(part, seed, None)
    law = replace(
        plain.law,
        linear_ppm_per_c=plain.law.linear_ppm_per_c
        + rng.gauss(0, 0.1) * usual / _span_c(part),
    )
    volts = part.supply.nominal_v if part.supply else plain.supply_v
    swing_v = (part.supply.range_v[1] - volts) if part.supply else 0.1 * volts
    control_v = part.control.nominal_v if part.control else 1.5
    reach_v = (part.control.range_v[1] - control_v) if part.control else 1.0
    load_pf = part.load.load_pf or 10.0
    return RackDeviceSpec(
        oscillator=replace(
            plain,
            law=law,
            supply_v=volts,
            supply_ppm_per_v=rng.choice((-1, 1))
            * about(limits.supply_ppm, 0.1 * usual)
            / swing_v,
        ),
        hysteresis_ppm=about(limits.hysteresis_ppm, 0.05 * usual),
        dips=tuple(_dips(part, rng)),
        load_pf=load_pf,
        load_ppm_per_pf=about(limits.load_ppm, 0.1 * usual) / 5.0,
        control_v=control_v,
        pull_ppm_per_v=(limits.pull_ppm or 0.0) * rng.uniform(1.1, 1.6) / reach_v,
        bend_ppm_per_v2=(limits.pull_ppm or 0.0) * rng.gauss(0, 0.05) / reach_v**2,
        start_s=about(limits.start_up_s, 0.01),
        warm_ppm=usual * rng.uniform(1, 3),
        warm_s=(limits.warm_up_s or 60.0) * rng.uniform(0.3, 0.5),
        retrace_ppm=about(limits.retrace_ppm, 0.02 * usual),
    )


def _dips(part: Part, rng: random.Random) -> Iterator[DipSpec]:
    """Yield an activity dip of the few devices that have one."""
    if rng.random() < _DIPS:
        low, high = part.limits.range_c or (-20.0, 70.0)
        yield DipSpec(
            at_c=rng.uniform(low + 15, high - 15),
            depth_ppm=(part.limits.stability_ppm or part.limits.tolerance_ppm) * 0.3,
            width_c=rng.uniform(2, 4),
        )


def _span_c(part: Part) -> float:
    low, high = part.limits.range_c or (-20.0, 70.0)
    return high - low


class SimulatedRack:
    """Serves a rack until stopped; also a context manager."""

    def __init__(
        self, scenario: RackScenario, clock: Clock, *, truth: Path | None = None
    ) -> None:
        self.scenario, self.clock = scenario, clock
        self.truth = Truth(truth)
        self.chamber = Chamber(scenario.chamber, len(scenario.devices))
        room = Room(RoomSpec(), f"{scenario.seed}/room")
        supply = Supply(SupplySpec())
        self.devices = {
            FIRST_CHANNEL + place: RackDevice(
                spec,
                self.chamber,
                place,
                f"{scenario.seed}/device/{place}",
                (room, supply),
            )
            for place, spec in enumerate(scenario.devices)
        }
        self.rack = Rack(self.chamber, self.devices)
        self.world = World(
            clock=clock, epoch_ns=clock.mono_ns(), room=room, supply=supply
        )
        silent = replace(scenario.devices[0].oscillator, low_v=0.0, high_v=0.0)
        self.world.signals[_SCANNED] = ScannedSignal(self.rack, self.world, silent)
        self.registers = ChamberRegisters(self.rack, self.world)
        self.faults: dict[str, Faults] = {}
        self._servers: dict[str, AnyServer] = {}

    def start(self) -> dict[str, str]:
        """Serve everything; return name -> address."""
        try:
            for name, device in self._instruments():
                station = Station(
                    name, device, self.faults[name], self.truth, self.world
                )
                self._serve(name, TcpServer(conversing(station), talks=False))
            self._serve("chamber", ModbusServer(self.registers))
            self._serve("control", ControlPort(self.command))
        except BaseException:
            self.stop()
            raise
        return self.addresses()

    def stop(self) -> None:
        """Close everything; no thread or file of ours is left."""
        for server in self._servers.values():
            server.stop()
        self.truth.close()

    def __enter__(self) -> "SimulatedRack":
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def addresses(self) -> dict[str, str]:
        """Return where everything is reached."""
        return {name: server.address for name, server in self._servers.items()}

    def bench_toml(self) -> str:
        """Return a bench file for this rack."""
        return "\n".join(bench_lines(self.scenario, self.addresses())) + "\n"

    def served(self, instrument: str | None = None) -> tuple[ServedValue, ...]:
        """Return the values sent lately, oldest first."""
        return self.truth.served(instrument)

    def kill_chamber(self) -> None:
        """Pull the chamber's cables."""
        for name in ("chamber", "chamber@scpi"):
            self._servers[name].stop()

    def _serve(self, name: str, server: AnyServer) -> None:
        server.start()
        self._servers[name] = server

    def _instruments(self) -> Iterator[tuple[str, ScpiDevice]]:
        seed = self.scenario.seed

        def at(name: str, model: str) -> RackInstrument:
            self.faults[name] = faults = Faults(f"{seed}/faults/{name}")
            identity = f"SIMULATED,{model},SIM-R{seed:03d},1.0"
            return RackInstrument(
                name=name,
                identity=identity,
                faults=faults,
                rack=self.rack,
                world=self.world,
            )

        self.faults["counter"] = Faults(f"{seed}/faults/counter")
        inputs = {1: InputSpec(_SCANNED)}
        counter = Counter(self.scenario.counter, inputs, self.world, f"{seed}/counter")
        yield (
            "counter",
            SimulatedScpiCounter("counter", counter, self.faults["counter"]),
        )
        self.faults["probe"] = Faults(f"{seed}/faults/probe")
        spec = MeterSpec(model="Rack Probe", serial=f"SIM-R{seed:03d}")
        probe = Meter(spec, self.chamber.air_c, self.world, f"{seed}/probe")
        yield (
            "probe",
            SimulatedScpiMeter(
                "probe", probe, THERMOMETER_HEADER, self.faults["probe"]
            ),
        )
        yield "supply", SimulatedSupply(at("supply", "Rack Supply"))
        pulling = SimulatedSupply(at("pulling", "Rack Control Voltage"), control=True)
        yield "pulling", pulling
        yield "scanner", SimulatedScanner(at("scanner", "Rack Scanner"))
        yield "chamber@scpi", SimulatedScpiChamber(at("chamber@scpi", "Rack Chamber"))

    # --- on command ---------------------------------------------------------------

    def command(self, line: str) -> object:
        """Carry out one line of the control port. Raises BenchlogError."""
        words = line.split()
        now_s = self.world.now_s()
        match words:
            case ["list"]:
                return self.addresses()
            case ["chamber", "stuck"]:
                self.chamber.stick(now_s)
            case ["chamber", "ok"]:
                self.chamber.free(now_s)
                self.registers.fault_bits, self.registers.lies_c = 0, 0.0
            case ["chamber", "lies", degrees]:
                self.registers.lies_c = _number(degrees)
            case ["chamber", "door", seconds]:
                self.registers.fault_bits |= DOOR_OPEN
                self.chamber.open_door(
                    self.scenario.chamber.begin_c, now_s, _number(seconds)
                )
            case ["chamber", "alarm", bits]:
                self.registers.fault_bits = int(_number(bits)) & 0xFFFF
            case ["scanner", "stuck" | "lost" as how, channel]:
                self._contact(how, int(_number(channel)))
            case ["scanner", "ok"]:
                state = self.rack.scanner
                self.rack.scanner = replace(state, stuck=frozenset(), lost=frozenset())
            case [name, "drop"] if name in self._servers:
                self._servers[name].drop()
            case [name, "deaf", seconds] if name in self._servers:
                self._servers[name].deafen(_number(seconds))
            case [name, *order] if name in self.faults:
                self._disturb(name, order)
            case _:
                known = (*self.faults, "chamber", "scanner", "list")
                raise NotFoundError("instrument or command", line[:40], known)
        return None

    def _contact(self, how: str, channel: int) -> None:
        if channel not in self.devices:
            raise NotFoundError("channel", str(channel), map(str, self.devices))
        state = self.rack.scanner
        several = {how: getattr(state, how) | {channel}}
        self.rack.scanner = replace(state, **several)

    def _disturb(self, name: str, order: list[str]) -> None:
        if order == ["ok"]:
            self.faults[name].clear()
            return
        if not order:
            raise UsageError(f"write: {name} FAULT [ARGUMENT]")
        self.faults[name].order(order[0], " ".join(order[1:]), 1)


def _number(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise UsageError(f"expected a number, found {text!r}")
    return value


def bench_lines(scenario: RackScenario, addresses: dict[str, str]) -> Iterator[str]:
    """Yield the lines of a bench file for a rack, as a person would write it."""
    yield f"# {scenario.title}: everything it gives is simulated"
    yield from ("", "[instruments.counter]", 'driver = "scpi-counter"')
    yield f'address = "{addresses["counter"]}"'
    yield f"gate_s = {scenario.gate_s!r}"
    yield f"timebase_ppm = {scenario.counter.stated_ppm!r}"
    yield from ("", "[instruments.probe]", 'driver = "scpi-thermometer"')
    yield f'address = "{addresses["probe"]}"'
    yield "u_c = 0.15"  # with what places differ by
    yield "every_s = 5.0"
    spec = scenario.chamber
    yield from ("", "[instruments.chamber]", 'driver = "modbus-chamber"')
    yield f'address = "{addresses["chamber"]}"'
    yield "simulated = true"
    yield f"low = {spec.low_c!r}"
    yield f"high = {spec.high_c!r}"
    yield f"rate_per_min = {spec.rate_c_per_min!r}"
    yield from ("", "[instruments.supply]", 'driver = "scpi-supply"')
    yield f'address = "{addresses["supply"]}"'
    yield from ("low = 0.0", "high = 5.5")
    yield from ("", "[instruments.pulling]", 'driver = "scpi-supply"')
    yield f'address = "{addresses["pulling"]}"'
    yield from ("low = 0.0", "high = 5.0")
    yield from ("", "[instruments.scanner]", 'driver = "scpi-scanner"')
    yield f'address = "{addresses["scanner"]}"'
    for place in range(len(scenario.devices)):
        yield from ("", "[[position]]", f'name = "P{place + 1:02d}"')
        yield 'frequency = "counter"'
        yield from ('through = "scanner"', f"channel = {FIRST_CHANNEL + place}")
        yield from ('ambient = "probe"', 'chamber = "chamber"')
        yield from ('feed = "supply"', 'control = "pulling"')
