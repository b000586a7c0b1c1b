"""The simulated bench as physics: one time, one room, one supply, the devices in it."""

from dataclasses import dataclass, field

from benchlog.clock import Clock
from benchlog.simulate.oscillator import Oscillator
from benchlog.simulate.room import Room, Supply
from benchlog.units import NS_PER_S


@dataclass(frozen=True, slots=True)
class World:
    """What all simulated instruments look at; `epoch_ns` is when it was switched on."""

    clock: Clock
    epoch_ns: int
    room: Room
    supply: Supply
    devices: dict[str, Oscillator] = field(default_factory=dict)

    def since_start_ns(self, mono_ns: int) -> int:
        """Return bench ns since the world was switched on."""
        return mono_ns - self.epoch_ns

    def now_s(self) -> float:
        """Return bench seconds since the world was switched on."""
        return self.since_start_ns(self.clock.mono_ns()) / NS_PER_S
