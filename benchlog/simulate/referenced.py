"""A bench with a reference to check its counter by, or with pulses and no counter."""

from dataclasses import replace
from typing import Final

from benchlog.simulate.noise import Noise
from benchlog.simulate.oscillator import OscillatorSpec
from benchlog.simulate.pulse_text import STANDARD
from benchlog.simulate.scenario import (
    INPUTS,
    Place,
    PulsesAt,
    ReceiverAt,
    Scenario,
    Wiring,
)

REFERENCE_INPUT: Final = 2
_STANDARD: Final = OscillatorSpec(10e6, noise=Noise(1e-11, 5e-12, 2e-12, 0.0), lag_s=1)


def with_reference(
    scenario: Scenario, wiring: Wiring, receiver: ReceiverAt | None = None
) -> Scenario:
    """Return the bench with its first counter's reference wired in one of the ways."""
    at = receiver or ReceiverAt()
    match wiring:
        case Wiring.NONE:
            return scenario
        case Wiring.PERIOD:
            wired = _at_second_input(replace(scenario, receiver=at), at.name)
        case Wiring.FREQUENCY:
            places = (*scenario.places, Place(STANDARD, _STANDARD))
            wired = _at_second_input(replace(scenario, places=places), STANDARD)
        case Wiring.PULSES:
            divided = PulsesAt("timebase", scenario.counters[0].name)
            pulses = (*scenario.pulses, divided)
            wired = replace(scenario, receiver=at, pulses=pulses)
    return replace(wired, wiring=wiring)


def by_pulses(
    scenario: Scenario, *, receiver: ReceiverAt | None = None, pulse_hz: float = 1.0
) -> Scenario:
    """Return the bench with place A measured by its divided pulses.

    `receiver` None: this computer's clock is the time, unless the bench has one.
    """
    pulses = PulsesAt("pulses", scenario.places[0].name, pulse_hz)
    return replace(
        scenario,
        receiver=receiver or scenario.receiver,
        pulses=(pulses, *scenario.pulses),
    )


def _at_second_input(scenario: Scenario, name: str) -> Scenario:
    first, *rest = scenario.counters
    inputs = {**first.inputs, REFERENCE_INPUT: name}
    first = replace(first, inputs=inputs, dialect=INPUTS)
    return replace(scenario, counters=(first, *rest))
