"""A rack: devices in a chamber, one supply, one control voltage, a scanner.

Instruments set it; the counter at the scanner's output sees what comes through.
"""

import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from benchlog.simulate.physics.chamber import Chamber
from benchlog.simulate.physics.oscillator import OscillatorSpec
from benchlog.simulate.physics.rack_device import RackDevice
from benchlog.simulate.physics.world import World

LOWEST_RUNNING: Final = 0.6
"""Of its stated supply: below, a device puts nothing out; our rule, invented."""


@dataclass(slots=True)
class ScannerState:
    """Which channels are closed; faults: one that no longer obeys, one that is lost."""

    closed: frozenset[int] = frozenset()
    stuck: frozenset[int] = frozenset()
    lost: frozenset[int] = frozenset()

    @property
    def really(self) -> frozenset[int]:
        """What is really connected: stuck ones always, lost ones never."""
        return (self.closed | self.stuck) - self.lost


class Rack:
    """Everything that can be set about devices in a rack; in order of time."""

    def __init__(
        self,
        chamber: Chamber,
        devices: dict[int, RackDevice],
        moved: Callable[[frozenset[int]], None] = lambda _: None,
    ) -> None:
        """`moved` is told what is really connected whenever the scanner has moved."""
        self.chamber = chamber
        self.devices = devices
        self._scanner, self._moved = ScannerState(), moved
        self._lock = threading.Lock()
        first = next(iter(devices.values())).rack_spec
        self._volts = first.oscillator.supply_v
        self._output = True
        self._load_pf = self.usual_pf = first.load_pf
        self._loaded = True
        self.control_v = self.open_control_v = first.control_v
        self._controlled = True

    @property
    def scanner(self) -> ScannerState:
        """Which channels are closed."""
        return self._scanner

    @scanner.setter
    def scanner(self, state: ScannerState) -> None:
        self._scanner = state
        self._moved(state.really)

    @property
    def volts(self) -> float:
        """What the supply is set to."""
        return self._volts

    @property
    def output(self) -> bool:
        """Whether the supply's output is on."""
        return self._output

    def set_volts(self, volts: float, at_s: float) -> None:
        """Turn the supply."""
        with self._lock:
            self._volts = volts
            self._feed(at_s)

    def set_output(self, on: bool, at_s: float) -> None:
        """Switch the supply's output."""
        with self._lock:
            self._output = on
            self._feed(at_s)

    @property
    def controlled(self) -> bool:
        """Whether the control voltage's output is on."""
        return self._controlled

    @property
    def load_pf(self) -> float:
        """What the load box is set to."""
        return self._load_pf

    @property
    def loaded(self) -> bool:
        """Whether the load box is switched in."""
        return self._loaded

    def set_control(
        self, at_s: float, *, volts: float | None = None, on: bool | None = None
    ) -> None:
        """Set the control voltage of all devices, or switch it.

        An input that nothing drives rests where the device is specified.
        """
        with self._lock:
            self.control_v = self.control_v if volts is None else volts
            self._controlled = self._controlled if on is None else on
            there_v = self.control_v if self._controlled else self.open_control_v
            for device in self.devices.values():
                device.control.set(there_v, at_s)

    def set_load(
        self, at_s: float, *, pf: float | None = None, on: bool | None = None
    ) -> None:
        """Set the load capacitance of all devices, or switch it in and away.

        Without the box a device has the load at which it is specified.
        """
        with self._lock:
            self._load_pf = self._load_pf if pf is None else pf
            self._loaded = self._loaded if on is None else on
            there_pf = self._load_pf if self._loaded else self.usual_pf
            for device in self.devices.values():
                device.load.set(there_pf, at_s)

    def terminals_v(self) -> float:
        """Return what is at the supply's terminals."""
        return self._volts if self._output else 0.0

    def drawn_a(self) -> float:
        """Return what all devices draw; 5 mA each, our rule, invented."""
        return 0.005 * len(self.devices) if self._output and self._volts > 0.5 else 0.0

    def seen(self) -> RackDevice | None:
        """Return the device whose signal is at the scanner's output.

        Two at once are one on top of the other: nothing that can be counted.
        """
        connected = [self.devices[c] for c in self.scanner.really if c in self.devices]
        return connected[0] if len(connected) == 1 else None

    def _feed(self, at_s: float) -> None:
        for device in self.devices.values():
            enough = self._volts >= LOWEST_RUNNING * device.spec.supply_v
            device.switch(self._output and enough, at_s)
            if self._output:
                device.volts.set(self._volts, at_s)


class ScannedSignal:
    """What the counter's input sees: the device that the scanner connects, if any.

    A gate during which the scanner moves counts nonsense, as a real one does.
    """

    def __init__(self, rack: Rack, world: World, silent: OscillatorSpec) -> None:
        self._rack, self._world = rack, world
        self._silent = silent

    @property
    def spec(self) -> OscillatorSpec:
        """The device's; of nothing, a signal without a swing."""
        device = self._rack.seen()
        if device is None or not device.runs(self._world.now_s()):
            return self._silent
        return device.spec

    def excess_s(self, at_ns: int) -> float:
        """Return the phase gained by the device that is connected now."""
        device = self._rack.seen()
        return 0.0 if device is None else device.excess_s(at_ns)

    def mean_hz(self, excess_s: float, gate_s: float) -> float:
        """Return the true mean frequency over a gate that gained `excess_s`."""
        device = self._rack.seen()
        return 0.0 if device is None else device.mean_hz(excess_s, gate_s)
