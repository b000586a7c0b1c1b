"""A simulated rack: chamber, supply, control voltage, scanner, counter, devices.

The chamber is served twice: over Modbus TCP and over SCPI, one chamber behind both.
"""

import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Final

from benchlog.clock import Clock
from benchlog.errors import NotFoundError, UsageError
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
    SimulatedLoad,
    SimulatedScanner,
    SimulatedScpiChamber,
    SimulatedSupply,
)
from benchlog.simulate.instruments.station import Station
from benchlog.simulate.physics.chamber import Chamber
from benchlog.simulate.physics.counting import Counter, InputSpec
from benchlog.simulate.physics.rack import Rack, ScannedSignal
from benchlog.simulate.physics.rack_device import RackDevice
from benchlog.simulate.physics.room import Room, RoomSpec, Supply, SupplySpec
from benchlog.simulate.physics.world import World
from benchlog.simulate.rack_scenario import (
    FIRST_CHANNEL,
    RackScenario,
    bench_lines,
)
from benchlog.simulate.served_log import ServedValue, Truth
from benchlog.simulate.transports.byte_stream import TcpServer, conversing
from benchlog.simulate.transports.modbus_server import ModbusServer

_SCANNED: Final = "scanner output"


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
        self.rack = Rack(self.chamber, self.devices, self._moved)
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

    def _moved(self, closed: frozenset[int]) -> None:
        now_ns, text = self.clock.mono_ns(), ",".join(map(str, sorted(closed)))
        served = ServedValue(instrument="scanner", mono_ns=now_ns, text=f"(@{text})")
        self.truth.add(served, now_ns)

    def state(self) -> dict[str, object]:
        """Return what everything is truly set to, and the air of the chamber."""
        return {
            "mono_ns": self.clock.mono_ns(),
            "set_point_c": self.chamber.target_c,
            "home_c": self.scenario.chamber.begin_c,
            "air_c": self.chamber.air_c(self.world.now_s()),
            "supply_on": self.rack.output,
            "supply_v": self.rack.volts,
            "control_v": self.rack.control_v,
            "closed": sorted(self.rack.scanner.really),
        }

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
        yield "loads", SimulatedLoad(at("loads", "Rack Loads"))
        yield "scanner", SimulatedScanner(at("scanner", "Rack Scanner"))
        yield "chamber@scpi", SimulatedScpiChamber(at("chamber@scpi", "Rack Chamber"))

    # --- on command ---------------------------------------------------------------

    def command(self, line: str) -> object:
        """Carry out one line of the control port. Raises BenchlogError."""
        match line.split():
            case ["list"]:
                return self.addresses()
            case ["state"]:
                return self.state()
            case ["chamber", *order] if self._disturb_chamber(order):
                pass
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
                known = (*self.faults, "chamber", "scanner", "list", "state")
                raise NotFoundError("instrument or command", line[:40], known)
        return None

    def _disturb_chamber(self, order: list[str]) -> bool:
        """Do to the chamber what is ordered; False where it is none of these orders."""
        now_s = self.world.now_s()
        match order:
            case ["dead", seconds]:
                self.registers.power_cut()
                for way in ("chamber", "chamber@scpi"):
                    self._servers[way].deafen(_number(seconds))
            case ["stuck"]:
                self.chamber.stick(now_s)
            case ["ok"]:
                self.chamber.free(now_s)
                self.registers.fault_bits, self.registers.lies_c = 0, 0.0
            case ["lies", degrees]:
                self.registers.lies_c = _number(degrees)
            case ["door", seconds]:
                self.registers.fault_bits |= DOOR_OPEN
                home_c = self.scenario.chamber.begin_c
                self.chamber.open_door(home_c, now_s, _number(seconds))
            case ["alarm", bits]:
                self.registers.fault_bits = int(_number(bits)) & 0xFFFF
            case _:
                return False
        return True

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
