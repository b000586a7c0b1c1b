"""The simulated bench as physics: one time, one room, one supply, the devices in it."""

from dataclasses import dataclass, field
from typing import Protocol

from benchlog.clock import Clock
from benchlog.simulate.physics.oscillator import Oscillator, OscillatorSpec
from benchlog.simulate.physics.receiver import Receiver
from benchlog.simulate.physics.room import Room, Supply
from benchlog.units import NS_PER_S


class Signal(Protocol):
    """What a counter's input can look at: an oscillator, pulses, a scanner's output."""

    @property
    def spec(self) -> OscillatorSpec:
        """What it puts out."""
        ...

    def excess_s(self, at_ns: int) -> float:
        """Return the phase in s gained by `at_ns` beyond the stated offset."""
        ...

    def mean_hz(self, excess_s: float, gate_s: float) -> float:
        """Return the true mean frequency over a gate that gained `excess_s`."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class World:
    """What all simulated instruments look at; `epoch_ns` is when it was switched on."""

    clock: Clock
    epoch_ns: int
    room: Room
    supply: Supply
    devices: dict[str, Oscillator] = field(default_factory=dict)
    receivers: dict[str, Receiver] = field(default_factory=dict)
    signals: dict[str, Signal] = field(default_factory=dict)
    unfed: set[str] = field(default_factory=set)  # places whose supply is off
    host_ppm: float = 0.0  # how far off the clock is that pulses are stamped by

    def since_start_ns(self, mono_ns: int) -> int:
        """Return bench ns since the world was switched on."""
        return mono_ns - self.epoch_ns

    def true_s(self, mono_ns: int) -> float:
        """Return true seconds since then, where the host's clock is off."""
        return self.since_start_ns(mono_ns) / NS_PER_S / (1.0 + self.host_ppm * 1e-6)

    def mono_ns_at(self, true_s: float) -> int:
        """Return what the host's clock shows at a true time."""
        return self.epoch_ns + round(true_s * (1.0 + self.host_ppm * 1e-6) * NS_PER_S)

    def now_s(self) -> float:
        """Return bench seconds since the world was switched on."""
        return self.since_start_ns(self.clock.mono_ns()) / NS_PER_S
