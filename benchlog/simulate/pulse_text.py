"""The parts of a bench file that are about pulses and references."""

from collections.abc import Iterator, Mapping
from typing import Final

from benchlog.simulate.scenario import (
    CounterAt,
    PulsesAt,
    ReceiverAt,
    Scenario,
    Via,
    Wiring,
)

STANDARD: Final = "standard"
"""The place of a reference frequency."""


def pulse_tables(scenario: Scenario, addresses: Mapping[str, str]) -> list[str]:
    """Return tables of a receiver, of pulses, their positions and [reference]."""
    lines: list[str] = []
    if scenario.receiver is not None:
        lines += ["", *_receiver(scenario.receiver, addresses)]
    for one in scenario.pulses:
        lines += ["", *_pulses(one, addresses[one.name])]
    for one in scenario.pulses:
        if one.source in {place.name for place in scenario.places}:
            lines += ["", *_position(scenario, one)]
    if scenario.wiring is not Wiring.NONE:
        lines += ["", *_reference(scenario, scenario.counters[0])]
    return lines


def _receiver(at: ReceiverAt, addresses: Mapping[str, str]) -> Iterator[str]:
    yield f"[instruments.{at.name}]"
    yield 'driver = "pulse-edge"'
    yield f'address = "{addresses[at.name]}"'
    if at.via is Via.RFC2217:
        yield 'line = "dcd"'
        yield "nmea = true"
    else:
        yield 'line = "rx"'
        yield f'data_address = "{addresses[f"{at.name}@data"]}"'
    yield f"u_s = {at.spec.stated_s!r}"
    yield "simulated = true"


def _pulses(at: PulsesAt, address: str) -> Iterator[str]:
    yield f"[instruments.{at.name}]"
    yield 'driver = "pulse-edge"'
    yield f'address = "{address}"'
    yield f'line = "{"dcd" if at.via is Via.RFC2217 else "rx"}"'
    yield f"interval_s = {1.0 / at.pulse_hz!r}"
    yield "simulated = true"


def _position(scenario: Scenario, at: PulsesAt) -> Iterator[str]:
    place = scenario.place(at.source)
    yield "[[position]]"
    yield f'name = "{place.name}"'
    yield f'frequency = "{at.name}"'
    if scenario.receiver is not None:
        yield f'reference = "{scenario.receiver.name}"'
    if scenario.thermometer is not None:
        yield f'ambient = "{scenario.thermometer.name}"'
    yield f"divider = {place.oscillator.nominal_hz / at.pulse_hz!r}"


def _reference(scenario: Scenario, counter: CounterAt) -> Iterator[str]:
    yield "[reference]"
    yield f'counter = "{counter.name}"'
    receiver = scenario.receiver
    wired = {name: number for number, name in counter.inputs.items()}
    match scenario.wiring:
        case Wiring.FREQUENCY:
            yield f"input = {wired[STANDARD]}"
            yield f"nominal_hz = {scenario.place(STANDARD).oscillator.nominal_hz!r}"
            yield "u_ppm = 1e-5"
        case Wiring.PERIOD if receiver is not None:
            yield f"input = {wired[receiver.name]}"
            yield "nominal_hz = 1.0"
            yield f"u_s = {receiver.spec.stated_s!r}"
        case Wiring.PULSES if receiver is not None:
            yield f'pulses = "{receiver.name}"'
            timebases = [p.name for p in scenario.pulses if p.source == counter.name]
            yield f'timebase = "{timebases[0]}"'
            yield f"u_s = {receiver.spec.stated_s!r}"
