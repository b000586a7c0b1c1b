"""Ready scenarios: a plausible bench for a part, or one with a reference beside it."""

import math
import random
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from string import ascii_uppercase
from typing import Final

from benchlog.analysis.laws import kind_law
from benchlog.model import Kind, Part
from benchlog.simulate.bench_file import STANDARD
from benchlog.simulate.instruments.trim_firmware import two_ranges
from benchlog.simulate.physics.counting import CounterSpec
from benchlog.simulate.physics.noise import Noise
from benchlog.simulate.physics.oscillator import OscillatorSpec
from benchlog.simulate.scenario import (
    INPUTS,
    STREAMS,
    SUPPLY_METER,
    TALKING,
    CounterAt,
    PulsesAt,
    ReceiverAt,
    Scenario,
    SimulatedPosition,
    Via,
    Wiring,
)

_SHARE: Final = 0.4  # of the tolerance that a drawn device may be off; our rule
# _STATED_PPM, _AGEING_B_PER_DAY, _RUN_IN_DAYS, _USUAL_SEED: our rule, invented.
_STATED_PPM: Final = 0.05
_AGEING_B_PER_DAY: Final = 0.1
_RUN_IN_DAYS: Final = 30.0
_USUAL_SEED: Final = 1
_STREAM_GATE_S: Final = 1e-6  # our rule: the shortest gate of a counter that streams
_DAYS_PER_YEAR: Final = 365.25  # definition: the Julian year


@dataclass(frozen=True, slots=True)
class Temper:
    """How a kind of source behaves: noise, thermal lag, supply sensitivity."""

    noise: Noise
    lag_s: float
    supply_ppm_per_v: float


# common practice, no source: orders of magnitude
_TEMPERS: Final = {
    Kind.RC: Temper(Noise(2e-7, 1.2e-4, 8e-5, 2e-6), 4.0, 1500.0),
    Kind.QUARTZ: Temper(Noise(1e-10, 4e-10, 1e-9, 1e-11), 45.0, 0.3),
    Kind.TUNING_FORK: Temper(Noise(3e-8, 2e-9, 3e-9, 5e-11), 30.0, 0.5),
    Kind.CERAMIC: Temper(Noise(1e-9, 8e-9, 3e-8, 1e-9), 20.0, 10.0),
    Kind.TCXO: Temper(Noise(5e-11, 1e-10, 3e-10, 2e-12), 90.0, 0.05),
    Kind.OCXO: Temper(Noise(2e-12, 5e-12, 8e-12, 2e-14), 600.0, 0.002),
    Kind.MEMS: Temper(Noise(1e-9, 2e-9, 2e-9, 2e-11), 10.0, 0.1),
    Kind.OTHER: Temper(Noise(1e-10, 1e-9, 1e-9, 1e-11), 30.0, 1.0),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoBench:
    """What to put on the bench beside the device.

    `positions`: devices at A, B, C ..., each with a counter of its own or, with
    `one_counter`, at an input of the first.
    """

    via: Via = Via.TCP
    gate_s: float = 1.0
    divider: float = 1.0
    positions: int = 1
    one_counter: bool = False
    supply_meter: bool = False
    trimmer: bool = False
    feed: bool = False
    streams: bool = False
    timebase_ppm: float | None = None
    counter: CounterSpec = field(
        default=CounterSpec(resolution_s=1e-10, stated_ppm=_STATED_PPM)
    )


_PLAIN: Final = DemoBench()


def demo_scenario(
    part: Part,
    *,
    seed: int = _USUAL_SEED,
    offset_ppm: float | None = None,
    bench: DemoBench = _PLAIN,
) -> Scenario:
    """Return a bench with a device of this part at each position, A, B, ...

    Parameters
    ----------
    part : Part
        What the device is.
    seed : int
        The same seed gives the same devices, room and noise.
    offset_ppm : float | None
        Offset of the device at A; drawn within 0.4 of the tolerance if None.
    bench : DemoBench
        How it is measured.

    """
    names = tuple(ascii_uppercase[: bench.positions])
    given = {"A": offset_ppm}
    places = tuple(
        SimulatedPosition(
            name, demo_device(part, f"{seed}/{name}", given.get(name)), bench.divider
        )
        for name in names
    )
    return Scenario(
        places=places,
        counters=tuple(_counters(names, seed, bench)),
        seed=seed,
        supply_meter=SUPPLY_METER if bench.supply_meter else None,
        register_ppm=two_ranges(f"{seed}/register") if bench.trimmer else (),
        feed=bench.feed and bench.trimmer,
        title=f"simulated bench with {part.title or part.id}",
    )


def demo_device(part: Part, seed: str, offset_ppm: float | None) -> OscillatorSpec:
    """Return one plausible device of a part; its offset is drawn unless given."""
    temper = _TEMPERS[part.kind]
    if offset_ppm is None:
        share = random.Random(f"{seed}/offset").uniform(-_SHARE, _SHARE)  # noqa: S311
        offset_ppm = share * part.limits.tolerance_ppm
    return OscillatorSpec(
        nominal_hz=part.nominal_hz,
        offset_ppm=offset_ppm,
        law=part.temperature or kind_law(part.kind),
        lag_s=temper.lag_s,
        supply_ppm_per_v=temper.supply_ppm_per_v,
        ageing_a_ppm=_ageing_a_ppm(part),
        ageing_b_per_day=_AGEING_B_PER_DAY,
        age_days=_RUN_IN_DAYS,
        noise=temper.noise,
    )


def _counters(
    names: tuple[str, ...], seed: int, bench: DemoBench
) -> Iterator[CounterAt]:
    dialect = "line-hz" if bench.via in TALKING else ""
    if bench.streams:
        dialect = STREAMS
    if bench.one_counter and bench.positions > 1:
        spec = _counter(seed, "A", bench)
        wired = dict(enumerate(names, start=1))
        yield CounterAt(
            name="counter",
            inputs=wired,
            spec=spec,
            via=(bench.via,),
            gate_s=bench.gate_s,
            dialect=INPUTS,
        )
        return
    for name in names:
        spec = _counter(seed, name, bench)
        label = "counter" if name == "A" else f"counter-{name.lower()}"
        yield CounterAt(
            name=label,
            inputs={1: name},
            spec=spec,
            via=(bench.via,),
            gate_s=bench.gate_s,
            dialect=dialect,
        )


def _counter(seed: int, place: str, bench: DemoBench) -> CounterSpec:
    """Return the bench's counter, its time base off by what its maker may allow."""
    rng = random.Random(f"{seed}/counter/{place}")  # noqa: S311 - physics, no secret
    spec = bench.counter
    if bench.streams:
        spec = replace(spec, min_gate_s=_STREAM_GATE_S)
    promised = spec.stated_ppm if spec.stated_ppm is not None else 1.0
    drawn = rng.uniform(-promised, promised) * 0.8
    off = drawn if bench.timebase_ppm is None else bench.timebase_ppm
    serial = _serial(seed, bench) if place == "A" else f"{_serial(seed, bench)}-{place}"
    return replace(spec, timebase_ppm=off, serial=serial)


def _serial(seed: int, bench: DemoBench) -> str:
    """Return a serial number of its own for each time base that can be asked for.

    A reference check belongs to a serial number: that of one simulated counter must
    not correct another.
    """
    if (seed, bench.timebase_ppm) == (_USUAL_SEED, None):
        return bench.counter.serial
    told = f"{seed} {bench.timebase_ppm!r}"
    return f"{bench.counter.serial}-{zlib.crc32(told.encode()) & 0xFFFF:04X}"


def _ageing_a_ppm(part: Part) -> float:
    """Return A so that the year after running in ages as the data sheet allows."""
    per_year = part.limits.ageing_ppm_per_year
    if not per_year:
        return 0.0
    first = math.log1p(_AGEING_B_PER_DAY * _RUN_IN_DAYS)
    last = math.log1p(_AGEING_B_PER_DAY * (_RUN_IN_DAYS + _DAYS_PER_YEAR))
    return 0.5 * per_year / (last - first)


# --- a bench with a reference to check its counter by, or with pulses and no counter

REFERENCE_INPUT: Final = 2  # our rule: the second input
# our rule, invented: a good reference
_STANDARD: Final = OscillatorSpec(
    nominal_hz=10e6, noise=Noise(1e-11, 5e-12, 2e-12, 0.0), lag_s=1
)


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
            places = (*scenario.places, SimulatedPosition(STANDARD, _STANDARD))
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
