"""A simulated bench as data: devices, surroundings, instruments, ways to reach them."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

from benchlog.simulate.instruments.scpi_meters import MeterSpec
from benchlog.simulate.physics.counting import CounterSpec, InputSpec
from benchlog.simulate.physics.oscillator import OscillatorSpec
from benchlog.simulate.physics.receiver import ReceiverSpec
from benchlog.simulate.physics.room import RoomSpec, SupplySpec


class Via(StrEnum):
    """Ways to reach an instrument."""

    TCP = "tcp"  # SCPI, raw socket
    SERIAL = "serial"  # SCPI, pseudo terminal
    HISLIP = "hislip"  # SCPI, HiSLIP
    VXI11 = "vxi11"  # SCPI, VXI-11
    LINE = "line"  # talks by itself, pseudo terminal
    LINE_TCP = "line-tcp"  # talks by itself, raw socket
    RFC2217 = "rfc2217"  # talks by itself, serial port over the network


DEFAULT_LINE_FORM: Final = "line-hz"
TALKING: Final = frozenset({Via.LINE, Via.LINE_TCP, Via.RFC2217})


INPUTS: Final = "scpi-inputs"
"""The dialect that can choose an input."""


STREAMS: Final = "scpi-stream"
"""The dialect of a counter that hands over many readings at once."""


@dataclass(frozen=True, slots=True)
class SimulatedPosition:
    """A position: what sits there and how much its output is divided."""

    name: str
    oscillator: OscillatorSpec
    divider: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CounterAt:
    """A counter on the bench; the first way of `via` goes into the bench file.

    `inputs` names the place wired to each input; `gate_s` is for the bench file and
    for ways on which it talks by itself. `dialect` goes into the bench file; on a
    talking way it is also the form of the lines.
    """

    name: str
    inputs: Mapping[int, str]
    spec: CounterSpec = field(default=CounterSpec())
    via: tuple[Via, ...] = (Via.TCP,)
    gate_s: float = 1.0
    dialect: str = ""


@dataclass(frozen=True, slots=True)
class MeterAt:
    """A thermometer or voltmeter on the bench; `period_s` when it talks by itself."""

    name: str
    spec: MeterSpec
    via: tuple[Via, ...] = (Via.TCP,)
    period_s: float = 1.0


@dataclass(frozen=True, slots=True)
class ReceiverAt:
    """A satellite receiver on the bench.

    LINE gives a byte for each pulse on one pseudo terminal, and sentences on another,
    `NAME@data`; RFC2217 moves the carrier line of a port that says the sentences too. A
    counter's input may be wired to it by its name.
    """

    name: str = "receiver"
    spec: ReceiverSpec = field(default=ReceiverSpec())
    via: Via = Via.LINE
    modem_poll_s: float = 0.002


@dataclass(frozen=True, slots=True)
class PulsesAt:
    """A clock divided down to pulses: a place's device, or a counter's time base."""

    name: str
    source: str
    pulse_hz: float = 1.0
    via: Via = Via.LINE


class Wiring(StrEnum):
    """How a reference is wired, for the bench file's [reference]."""

    NONE = "none"
    PERIOD = "period"  # the counter times the receiver's pulse
    FREQUENCY = "frequency"  # the counter measures a reference frequency
    PULSES = "pulses"  # the host compares its pulses with the time base's


ROOM_THERMOMETER: Final = MeterAt("room", MeterSpec())
# our rule, invented
SUPPLY_METER: Final = MeterAt(
    "meter",
    MeterSpec(
        model="Bench Voltmeter", serial="SIM-0003", error=0.0, noise=0.0002, step=0.0001
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """Everything a simulated bench is made from; the same seed, the same bench.

    With a `register_ppm` the device at the first place has trim firmware: what each
    code adds to its offset. With `feed` a supply that can be set feeds that device.
    """

    places: tuple[SimulatedPosition, ...]
    counters: tuple[CounterAt, ...]
    seed: int = 1
    room: RoomSpec = field(default=RoomSpec())
    supply: SupplySpec = field(default=SupplySpec())
    thermometer: MeterAt | None = ROOM_THERMOMETER
    supply_meter: MeterAt | None = None
    register_ppm: tuple[float, ...] = ()
    feed: bool = False
    title: str = "simulated bench"
    receiver: ReceiverAt | None = None
    pulses: tuple[PulsesAt, ...] = ()
    wiring: Wiring = Wiring.NONE
    host_ppm: float = 0.0
    """How far off the computer's clock is, as far as pulses can tell."""

    def place(self, name: str) -> SimulatedPosition:
        """Return a place by its name. Raises KeyError."""
        return {place.name: place for place in self.places}[name]

    def inputs(self, counter: CounterAt) -> dict[int, InputSpec]:
        """Return what a counter's inputs are wired to."""
        return {
            number: InputSpec(name, self._divider(name))
            for number, name in counter.inputs.items()
        }

    def _divider(self, name: str) -> float:
        wired_to_receiver = self.receiver is not None and name == self.receiver.name
        return 1.0 if wired_to_receiver else self.place(name).divider

    def measured(self, counter: CounterAt) -> dict[int, str]:
        """Return the inputs that positions use: not where a device's pulses do."""
        pulsed = {one.source for one in self.pulses}
        devices = {place.name for place in self.places} - pulsed
        used = {n: name for n, name in counter.inputs.items() if name in devices}
        if self.wiring is not Wiring.NONE:  # the reference is at the second input
            used = dict(list(used.items())[:1])
        return used
