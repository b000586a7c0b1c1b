"""The bench file of a simulated bench, as a person would write it."""

from collections.abc import Iterator, Mapping
from typing import Final

from benchlog.model import ROUNDED, TWO_STAMPS
from benchlog.simulate.physics.counting import CounterSpec
from benchlog.simulate.scenario import (
    DEFAULT_LINE_FORM,
    TALKING,
    CounterAt,
    MeterAt,
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


# --- the bench file of a simulated bench, as a person would write it


def bench_text(scenario: Scenario, addresses: Mapping[str, str]) -> str:
    """Return TOML that `load_bench` accepts, with the addresses now served."""
    lines = [f"# {scenario.title}: everything it gives is simulated"]
    for counter in scenario.counters:
        lines += _counters(scenario, counter, addresses[counter.name])
    for meter, driver in _meters(scenario):
        lines += ["", *_meter(meter, driver, addresses[meter.name])]
    if scenario.register_ppm:
        lines += ["", "[instruments.trimmer]", 'driver = "line-trim"']
        lines += [f'address = "{addresses["trimmer"]}"']
    if scenario.feed:
        lines += ["", "[instruments.supply]", 'driver = "scpi-supply"']
        lines += [f'address = "{addresses["supply"]}"', "low = 0.0", "high = 5.5"]
    lines += pulse_tables(scenario, addresses)
    for counter in scenario.counters:
        for number, place in scenario.measured(counter).items():
            lines += [
                "",
                *_plain_position(scenario, _name(counter, number), place),
            ]
    return "\n".join(lines) + "\n"


def _counters(scenario: Scenario, at: CounterAt, address: str) -> Iterator[str]:
    """One instrument; where devices are at several inputs, one for each."""
    used = scenario.measured(at)
    if len(used) < 2:
        yield from ("", *_counter(at, at.name, address))
        return
    for number in used:
        yield from ("", *_counter(at, _name(at, number), address), f"input = {number}")


def _name(at: CounterAt, number: int) -> str:
    return at.name if number == min(at.inputs) else f"{at.name}-{number}"


def _counter(at: CounterAt, name: str, address: str) -> Iterator[str]:
    talks = at.via[0] in TALKING
    yield f"[instruments.{name}]"
    yield f'driver = "{"line-counter" if talks else "scpi-counter"}"'
    yield f'address = "{address}"'
    yield f"gate_s = {at.gate_s!r}"
    if talks:
        yield f'dialect = "{at.dialect or DEFAULT_LINE_FORM}"'
        yield "simulated = true"
    elif at.dialect:
        yield f'dialect = "{at.dialect}"'
    yield from _counting(at.spec)
    if at.spec.stated_ppm is not None:
        yield f"timebase_ppm = {at.spec.stated_ppm!r}"


def _counting(spec: CounterSpec) -> Iterator[str]:
    """What its manual would state of a counter that is not of the usual kind."""
    if spec.counting != TWO_STAMPS:
        yield f'counting = "{spec.counting}"'
    if spec.dead_time_s:
        yield "gapless = false"
    if spec.digits != ROUNDED:
        yield f'digits = "{spec.digits}"'


def _meters(scenario: Scenario) -> Iterator[tuple[MeterAt, str]]:
    if scenario.thermometer is not None:
        yield scenario.thermometer, "thermometer"
    if scenario.supply_meter is not None:
        yield scenario.supply_meter, "meter"


def _meter(at: MeterAt, driver: str, address: str) -> Iterator[str]:
    talks = at.via[0] in TALKING
    yield f"[instruments.{at.name}]"
    yield f'driver = "{"line" if talks else "scpi"}-{driver}"'
    yield f'address = "{address}"'
    if talks:
        yield 'dialect = "line-celsius"'
        yield f"interval_s = {at.period_s!r}"
        yield "simulated = true"


def _plain_position(scenario: Scenario, counter: str, name: str) -> Iterator[str]:
    place = scenario.place(name)
    yield "[[position]]"
    yield f'name = "{place.name}"'
    yield f'frequency = "{counter}"'
    if scenario.thermometer is not None:
        yield f'ambient = "{scenario.thermometer.name}"'
    if scenario.supply_meter is not None:
        yield f'supply = "{scenario.supply_meter.name}"'
    if scenario.register_ppm and place is scenario.places[0]:
        yield 'trim = "trimmer"'
        if scenario.feed:
            yield 'feed = "supply"'
    if place.divider != 1:
        yield f"divider = {place.divider!r}"
