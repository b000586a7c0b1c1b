"""Simulated thermometer and voltmeter: one MEASure query each, over SCPI."""

import random
from collections.abc import Callable
from dataclasses import dataclass

from benchlog.simulate.instruments.faults import NO_SIGNAL, OVERLOAD, Faults
from benchlog.simulate.instruments.scpi_counter import INFINITY, NOT_A_NUMBER, as_nr3
from benchlog.simulate.instruments.scpi_device import Call, Command, ScpiDevice
from benchlog.simulate.physics.world import World
from benchlog.simulate.served_log import ServedValue


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterSpec:
    """A thermometer (C) or a voltmeter (V): its error, scatter and last digit."""

    model: str = "Bench Thermometer"
    serial: str = "SIM-0002"
    error: float = 0.0
    noise: float = 0.005
    step: float = 0.01
    takes_s: float = 0.02


class Meter:
    """The measuring part: a true value, spoilt as the instrument spoils it."""

    def __init__(
        self, spec: MeterSpec, truth: Callable[[float], float], world: World, seed: str
    ) -> None:
        self.spec = spec
        self.world = world
        self._truth = truth
        self._rng = random.Random(seed)  # noqa: S311 - physics, no secret

    def value(self) -> float:
        """Return what it would show now."""
        true = self._truth(self.world.now_s())
        shown = true + self.spec.error + self.spec.noise * self._rng.gauss()
        return round(shown / self.spec.step) * self.spec.step


class SimulatedScpiMeter(ScpiDevice):
    """The command interpreter of a meter; `quantity` is its MEASure header."""

    def __init__(self, name: str, meter: Meter, quantity: str, faults: Faults) -> None:
        self._name, self._meter, self._faults = name, meter, faults
        self._quantity = quantity
        super().__init__(f"SIMULATED,{meter.spec.model},{meter.spec.serial},1.0")

    def commands(self) -> tuple[Command, ...]:
        """See ScpiDevice."""
        return (
            Command(f"MEASure[:SCALar]:{self._quantity}?", self._measure, most=2),
            Command(f"CONFigure[:SCALar]:{self._quantity}", lambda _: None, most=2),
            Command("READ?", self._measure),
        )

    def _measure(self, call: Call) -> str:
        clock = self._meter.world.clock
        end_ns = clock.mono_ns() + round(self._meter.spec.takes_s * 1e9)
        call.patience.until(end_ns)
        text, fault = as_nr3(self._meter.value(), self._meter.spec.step), ""
        for kind, shown in ((NO_SIGNAL, NOT_A_NUMBER), (OVERLOAD, INFINITY)):
            if self._faults.use_up(kind):
                text, fault = shown, kind
        call.served.append(
            ServedValue(
                instrument=self._name,
                mono_ns=end_ns,
                text=text,
                true_hz=None,
                fault=fault,
            )
        )
        return text


THERMOMETER_HEADER = "TEMPerature"
VOLTMETER_HEADER = "VOLTage[:DC]"
