"""A simulated bench, running: instruments served over real sockets and ptys."""

from pathlib import Path
from typing import Protocol

from benchlog.clock import Clock
from benchlog.errors import NotFoundError
from benchlog.simulate.bench_text import bench_text
from benchlog.simulate.counting import Counter
from benchlog.simulate.faults import Faults
from benchlog.simulate.oscillator import Oscillator
from benchlog.simulate.room import Room, Supply
from benchlog.simulate.scenario import CounterAt, MeterAt, Scenario, Via
from benchlog.simulate.scpi_counter import ScpiCounter
from benchlog.simulate.scpi_device import ScpiDevice
from benchlog.simulate.scpi_meters import (
    THERMOMETER_HEADER,
    VOLTMETER_HEADER,
    Meter,
    ScpiMeter,
)
from benchlog.simulate.station import Station
from benchlog.simulate.tcp_scpi import TcpScpi
from benchlog.simulate.truth import Truth
from benchlog.simulate.world import World


class Served(Protocol):
    """What every server can do."""

    @property
    def address(self) -> str:
        """Where it is reached."""
        ...

    def start(self) -> int:
        """Begin to serve."""
        ...

    def stop(self) -> None:
        """End, with all threads."""
        ...


class SimulatedBench:
    """Serves a scenario until stopped; also a context manager.

    `truth` is a file that receives every value served, one JSON object a line.
    """

    def __init__(
        self, scenario: Scenario, clock: Clock, *, truth: Path | None = None
    ) -> None:
        self.scenario = scenario
        self.clock = clock
        self.truth = Truth(truth)
        self.world = _world(scenario, clock)
        self.faults: dict[str, Faults] = {}
        self._servers: dict[str, Served] = {}

    def start(self) -> dict[str, str]:
        """Serve everything; return name -> address.

        An instrument that is reached in several ways appears once under its name and
        again as `NAME@WAY` for each further way.
        """
        for counter in self.scenario.counters:
            self._serve_counter(counter)
        if self.scenario.thermometer is not None:
            at = self.scenario.thermometer
            self._serve_meter(at, self._thermometer(at), THERMOMETER_HEADER)
        if self.scenario.supply_meter is not None:
            at = self.scenario.supply_meter
            self._serve_meter(at, self._voltmeter(at), VOLTMETER_HEADER)
        for server in self._servers.values():
            server.start()
        return self.addresses()

    def stop(self) -> None:
        """Close everything; no thread of ours is left."""
        for server in self._servers.values():
            server.stop()
        self.truth.close()

    def addresses(self) -> dict[str, str]:
        """Return where everything is reached now."""
        return {name: server.address for name, server in self._servers.items()}

    def bench_toml(self) -> str:
        """Return a bench file for this bench, as a person would write it."""
        return bench_text(self.scenario, self.addresses())

    def device(self, place: str) -> Oscillator:
        """Return the device at a place. Raises NotFoundError."""
        if place not in self.world.devices:
            raise NotFoundError("place", place, self.world.devices)
        return self.world.devices[place]

    def __enter__(self) -> "SimulatedBench":
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def _serve_counter(self, at: CounterAt) -> None:
        faults = self._faults_of(at.name)
        inputs = self.scenario.inputs(at)
        counter = Counter(at.spec, inputs, self.world, self._seed(at.name))
        self._serve(at.name, at.via, ScpiCounter(at.name, counter, faults))

    def _serve_meter(self, at: MeterAt, meter: Meter, header: str) -> None:
        faults = self._faults_of(at.name)
        self._serve(at.name, at.via, ScpiMeter(at.name, meter, header, faults))

    def _serve(self, name: str, ways: tuple[Via, ...], device: ScpiDevice) -> None:
        station = Station(name, device, self.faults[name], self.truth, self.world)
        for via in ways:
            key = name if via is ways[0] else f"{name}@{via}"
            self._servers[key] = TcpScpi(station)

    def _faults_of(self, name: str) -> Faults:
        return self.faults.setdefault(name, Faults(self._seed(name)))

    def _thermometer(self, at: MeterAt) -> Meter:
        room = self.world.room
        return Meter(at.spec, room.temperature_c, self.world, self._seed(at.name))

    def _voltmeter(self, at: MeterAt) -> Meter:
        supply = self.world.supply
        return Meter(at.spec, supply.volts, self.world, self._seed(at.name))

    def _seed(self, name: str) -> str:
        return f"{self.scenario.seed}/{name}"


def _world(scenario: Scenario, clock: Clock) -> World:
    room = Room(scenario.room, f"{scenario.seed}/room")
    supply = Supply(scenario.supply)
    devices = {
        place.name: Oscillator(
            place.oscillator, room, supply, f"{scenario.seed}/device/{place.name}"
        )
        for place in scenario.places
    }
    return World(clock, clock.mono_ns(), room, supply, devices)
