"""From a scenario to servers: each instrument in each way it is to be reached."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Protocol

from benchlog.simulate.instruments.faults import Faults
from benchlog.simulate.instruments.scpi_counter import SimulatedScpiCounter
from benchlog.simulate.instruments.scpi_device import ScpiDevice
from benchlog.simulate.instruments.scpi_meters import (
    THERMOMETER_HEADER,
    VOLTMETER_HEADER,
    Meter,
    SimulatedScpiMeter,
)
from benchlog.simulate.instruments.station import Station, TalkingStation
from benchlog.simulate.instruments.talker import (
    TalkingCounter,
    TalkingMeter,
    TalkOnlyInstrument,
    line_form,
)
from benchlog.simulate.physics.counting import Counter
from benchlog.simulate.physics.pulse_trains import (
    DividedTrain,
    PulseSource,
    ReceiverTrain,
    TimebaseTrain,
)
from benchlog.simulate.physics.world import World
from benchlog.simulate.scenario import (
    DEFAULT_LINE_FORM,
    TALKING,
    CounterAt,
    MeterAt,
    PulsesAt,
    Scenario,
    Via,
)
from benchlog.simulate.served_log import Truth
from benchlog.simulate.transports.byte_stream import (
    Protocolled,
    TcpServer,
    conversing,
    talking,
)
from benchlog.simulate.transports.hislip_server import HislipServer
from benchlog.simulate.transports.pty_server import PtyServer
from benchlog.simulate.transports.pulse_lines import PulseLines
from benchlog.simulate.transports.rfc2217_server import Rfc2217Server
from benchlog.simulate.transports.vxi11_server import Vxi11Server


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
class Kinds:
    """How to build an instrument in either guise, given the faults that it obeys."""

    asked: Callable[[Faults], ScpiDevice]
    talking: Callable[[Faults], TalkOnlyInstrument]


class Outlets:
    """Builds the servers of a scenario; starts none of them.

    `faults` has every server's name. The ways on which an instrument is asked obey the
    same orders, and so do those on which it talks; the two do not share, or a talker
    would use up what was meant for the next answer.
    """

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
            found |= self._in_ways(counter.name, counter.via, self._counter(counter))
        room, supply = self._world.room, self._world.supply
        if (at := self._scenario.thermometer) is not None:
            kinds = self._meter(at, THERMOMETER_HEADER, room.temperature_c, "C")
            found |= self._in_ways(at.name, at.via, kinds)
        if (at := self._scenario.supply_meter) is not None:
            kinds = self._meter(at, VOLTMETER_HEADER, supply.volts, "V")
            found |= self._in_ways(at.name, at.via, kinds)
        return found | self._pulsed()

    def _pulsed(self) -> dict[str, AnyServer]:
        """Return servers of pulses: the receiver's, and those of divided clocks."""
        found: dict[str, AnyServer] = {}
        if (at := self._scenario.receiver) is not None:
            receiver = self._world.receivers[at.name]
            lines = self._lines(at.name, ReceiverTrain(receiver, self._world))
            data = f"{at.name}@data"
            if at.via is Via.RFC2217:
                found[at.name] = Rfc2217Server(
                    lambda port: lines.on_modem_lines(port, speak=True),
                    lines=True,
                    modem_poll_s=at.modem_poll_s,
                )
            else:
                found[at.name] = self._bytes(at.name, lines.as_bytes())
                found[data] = self._bytes(data, lines.as_sentences())
        for one in self._scenario.pulses:
            lines = self._lines(one.name, self._divided(one))
            if one.via is Via.RFC2217:
                found[one.name] = Rfc2217Server(
                    partial(lines.on_modem_lines, speak=False), lines=True
                )
            else:
                found[one.name] = self._bytes(one.name, lines.as_bytes())
        return found

    def _bytes(self, key: str, protocol: Protocolled) -> AnyServer:
        return PtyServer(protocol, self._folder / key, talks=True)

    def _lines(self, name: str, train: PulseSource) -> PulseLines:
        faults = self._shared_faults(name, [name])
        return PulseLines(
            name=name, train=train, faults=faults, truth=self._truth, world=self._world
        )

    def _divided(self, at: PulsesAt) -> PulseSource:
        specs = {counter.name: counter.spec for counter in self._scenario.counters}
        if at.source in specs:
            return TimebaseTrain(specs[at.source], at.pulse_hz, self._world)
        return DividedTrain(at.source, at.pulse_hz, self._world)

    def _counter(self, at: CounterAt) -> Kinds:
        inputs = self._scenario.inputs(at)
        counter = Counter(at.spec, inputs, self._world, self._seed(at.name))
        talks = at.via[0] in TALKING and at.dialect
        form = line_form(at.dialect if talks else DEFAULT_LINE_FORM)
        return Kinds(
            lambda faults: SimulatedScpiCounter(at.name, counter, faults),
            lambda faults: TalkingCounter(at.name, counter, faults, form, at.gate_s),
        )

    def _meter(
        self, at: MeterAt, header: str, truth: Callable[[float], float], unit: str
    ) -> Kinds:
        meter = Meter(at.spec, truth, self._world, self._seed(at.name))
        return Kinds(
            lambda faults: SimulatedScpiMeter(at.name, meter, header, faults),
            lambda faults: TalkingMeter(at.name, meter, faults, at.period_s, unit),
        )

    def _in_ways(
        self, name: str, ways: tuple[Via, ...], kinds: Kinds
    ) -> dict[str, AnyServer]:
        keys = {via: name if via is ways[0] else f"{name}@{via}" for via in ways}
        servers: dict[str, AnyServer] = {}
        asked = [via for via in ways if via not in TALKING]
        if asked:
            faults = self._shared_faults(name, [keys[via] for via in asked])
            device = kinds.asked(faults)
            station = Station(name, device, faults, self._truth, self._world)
            servers |= {
                keys[via]: self._asked(via, keys[via], station) for via in asked
            }
        talked = [via for via in ways if via in TALKING]
        if talked:
            faults = self._shared_faults(f"{name}@", [keys[via] for via in talked])
            talker = kinds.talking(faults)
            talks = TalkingStation(name, talker, faults, self._truth, self._world)
            servers |= {keys[v]: self._talked(v, keys[v], talks) for v in talked}
        return {keys[via]: servers[keys[via]] for via in ways}

    def _asked(self, via: Via, key: str, station: Station) -> AnyServer:
        if via is Via.HISLIP:
            return HislipServer(station)
        if via is Via.VXI11:
            return Vxi11Server(station)
        if via is Via.SERIAL:
            return PtyServer(conversing(station), self._folder / key, talks=False)
        return TcpServer(conversing(station), talks=False)

    def _talked(self, via: Via, key: str, station: TalkingStation) -> AnyServer:
        protocol = talking(station)
        if via is Via.RFC2217:
            return Rfc2217Server(protocol)
        if via is Via.LINE:
            return PtyServer(protocol, self._folder / key, talks=True)
        return TcpServer(protocol, talks=True)

    def _shared_faults(self, name: str, keys: list[str]) -> Faults:
        faults = Faults(self._seed(name))
        self.faults |= dict.fromkeys(keys, faults)
        return faults

    def _seed(self, name: str) -> str:
        return f"{self._scenario.seed}/{name}"
