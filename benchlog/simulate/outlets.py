"""From a scenario to servers: each instrument in each way it is to be reached."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from benchlog.simulate.counting import Counter
from benchlog.simulate.faults import Faults
from benchlog.simulate.hislip_server import HislipServer
from benchlog.simulate.pty_server import PtyServer
from benchlog.simulate.rfc2217_server import Rfc2217Server
from benchlog.simulate.scenario import (
    DEFAULT_LINE_FORM,
    TALKING,
    CounterAt,
    MeterAt,
    Scenario,
    Via,
)
from benchlog.simulate.scpi_counter import ScpiCounter
from benchlog.simulate.scpi_device import ScpiDevice
from benchlog.simulate.scpi_meters import (
    THERMOMETER_HEADER,
    VOLTMETER_HEADER,
    Meter,
    ScpiMeter,
)
from benchlog.simulate.station import Station, TalkingStation
from benchlog.simulate.streams import Protocolled, conversing, talking
from benchlog.simulate.talker import Talker, TalkingCounter, TalkingMeter, line_form
from benchlog.simulate.tcp_server import TcpServer
from benchlog.simulate.truth import Truth
from benchlog.simulate.vxi11_server import Vxi11Server
from benchlog.simulate.world import World


class AnyServer(Protocol):
    """What every server can do."""

    @property
    def address(self) -> str:
        """Where it is reached."""
        ...

    def start(self) -> object:
        """Begin to serve."""
        ...

    def stop(self) -> None:
        """End, with all threads."""
        ...

    def drop(self) -> None:
        """Close every connection."""
        ...

    def deafen(self, real_s: float) -> None:
        """Stop listening for a while."""
        ...


@dataclass(frozen=True, slots=True)
class Instrument:
    """One instrument in both its guises: asked, and talking by itself."""

    name: str
    device: ScpiDevice
    talker: Talker


class Outlets:
    """Builds the servers of a scenario; starts none of them."""

    def __init__(
        self, scenario: Scenario, world: World, truth: Truth, folder: Path
    ) -> None:
        self._scenario, self._world = scenario, world
        self._truth, self._folder = truth, folder
        self.faults: dict[str, Faults] = {}

    def servers(self) -> dict[str, AnyServer]:
        """Return every server under its name: the instrument's, or `NAME@WAY`."""
        found: dict[str, AnyServer] = {}
        for counter in self._scenario.counters:
            found |= self._in_ways(self._counter(counter), counter.via)
        room, supply = self._world.room, self._world.supply
        if (at := self._scenario.thermometer) is not None:
            thermometer = self._meter(at, THERMOMETER_HEADER, room.temperature_c, "C")
            found |= self._in_ways(thermometer, at.via)
        if (at := self._scenario.supply_meter) is not None:
            meter = self._meter(at, VOLTMETER_HEADER, supply.volts, "V")
            found |= self._in_ways(meter, at.via)
        return found

    def _counter(self, at: CounterAt) -> Instrument:
        faults = self._faults(at.name)
        inputs = self._scenario.inputs(at)
        counter = Counter(at.spec, inputs, self._world, self._seed(at.name))
        talks = at.via[0] in TALKING and at.dialect
        form = line_form(at.dialect if talks else DEFAULT_LINE_FORM)
        return Instrument(
            at.name,
            ScpiCounter(at.name, counter, faults),
            TalkingCounter(at.name, counter, faults, form, at.gate_s),
        )

    def _meter(
        self, at: MeterAt, header: str, truth: Callable[[float], float], unit: str
    ) -> Instrument:
        faults = self._faults(at.name)
        meter = Meter(at.spec, truth, self._world, self._seed(at.name))
        return Instrument(
            at.name,
            ScpiMeter(at.name, meter, header, faults),
            TalkingMeter(at.name, meter, faults, at.period_s, unit),
        )

    def _in_ways(
        self, instrument: Instrument, ways: tuple[Via, ...]
    ) -> dict[str, AnyServer]:
        name = instrument.name
        shared = (self.faults[name], self._truth, self._world)
        station = Station(name, instrument.device, *shared)
        talks = TalkingStation(name, instrument.talker, *shared)
        servers: dict[str, AnyServer] = {}
        for via in ways:
            key = name if via is ways[0] else f"{name}@{via}"
            protocol = talking(talks) if via in TALKING else conversing(station)
            servers[key] = self._server(via, key, station, protocol)
        return servers

    def _server(
        self, via: Via, key: str, station: Station, protocol: Protocolled
    ) -> AnyServer:
        if via is Via.HISLIP:
            return HislipServer(station)
        if via is Via.VXI11:
            return Vxi11Server(station)
        if via is Via.RFC2217:
            return Rfc2217Server(protocol)
        if via in (Via.LINE, Via.SERIAL):
            link = self._folder / key
            return PtyServer(protocol, link, talks=via is Via.LINE)
        return TcpServer(protocol, talks=via is Via.LINE_TCP)

    def _faults(self, name: str) -> Faults:
        return self.faults.setdefault(name, Faults(self._seed(name)))

    def _seed(self, name: str) -> str:
        return f"{self._scenario.seed}/{name}"
