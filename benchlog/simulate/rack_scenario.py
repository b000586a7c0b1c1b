"""A simulated rack as data: plausible devices of a part, and its bench file."""

import math
import random
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Final

from benchlog.errors import UsageError
from benchlog.model import Part
from benchlog.simulate.physics.chamber import ChamberSpec
from benchlog.simulate.physics.counting import CounterSpec
from benchlog.simulate.physics.rack_device import DipSpec, RackDeviceSpec
from benchlog.simulate.ready_scenarios import demo_device

FIRST_CHANNEL: Final = 101  # our rule: slot 1, channel 1
MOST_DEVICES: Final = 64  # our rule: what a rack is promised for
_DIPS: Final = 0.15  # of devices have an activity dip; our rule, invented
_STATED_PPM: Final = 0.01
"""What the counter's maker promises of its time base; a rack's is drawn within it, as
a statement without more is taken (rectangle); our rule, invented."""
# Shares of what the part promises, or of its tolerance, that drawn devices use up; our
# rule, invented: most devices pass, a few do not.
_USED: Final = 0.35


@dataclass(frozen=True, slots=True, kw_only=True)
class RackScenario:
    """What a simulated rack is made of; the same seed, the same rack."""

    devices: tuple[RackDeviceSpec, ...]
    seed: int = 1
    chamber: ChamberSpec = field(default=ChamberSpec())
    counter: CounterSpec = field(
        default=CounterSpec(
            resolution_s=1e-10, stated_ppm=_STATED_PPM, serial="SIM-R001"
        )
    )
    gate_s: float = 1.0
    title: str = "simulated rack"


def rack_scenario(part: Part, devices: int, seed: int = 1) -> RackScenario:
    """Return a rack of plausible devices of a part.

    Raises UsageError for more devices than a scanner has channels.
    """
    if not 1 <= devices <= MOST_DEVICES:
        raise UsageError(f"a rack has 1 to {MOST_DEVICES} devices, not {devices}")
    chance = random.Random(f"{seed}/timebase")  # noqa: S311 - physics, no secret
    return RackScenario(
        devices=tuple(
            rack_device(part, f"{seed}/rack/{place}") for place in range(devices)
        ),
        seed=seed,
        counter=CounterSpec(
            resolution_s=1e-10,
            stated_ppm=_STATED_PPM,
            serial=f"SIM-R{seed:03d}",
            timebase_ppm=chance.uniform(-_STATED_PPM, _STATED_PPM),
        ),
        title=f"simulated rack of {devices} x {part.title or part.id}",
    )


def rack_device(part: Part, seed: str) -> RackDeviceSpec:
    """Return one plausible device of a part."""
    rng = random.Random(seed)  # noqa: S311 - physics, no secret
    limits = part.limits
    usual = limits.stability_ppm or limits.tolerance_ppm

    def about(promised: float | None, otherwise: float) -> float:
        return (promised or otherwise) * _USED * math.exp(0.5 * rng.gauss())

    plain = demo_device(part, seed, None)
    law = replace(
        plain.law,
        linear_ppm_per_c=plain.law.linear_ppm_per_c
        + rng.gauss(0, 0.1) * usual / _span_c(part),
    )
    volts = part.supply.nominal_v if part.supply else plain.supply_v
    swing_v = (part.supply.range_v[1] - volts) if part.supply else 0.1 * volts
    control_v = part.control.nominal_v if part.control else 1.5
    reach_v = (part.control.range_v[1] - control_v) if part.control else 1.0
    load_pf = part.load.load_pf or 10.0
    return RackDeviceSpec(
        oscillator=replace(
            plain,
            law=law,
            supply_v=volts,
            supply_ppm_per_v=rng.choice((-1, 1))
            * about(limits.supply_ppm, 0.1 * usual)
            / swing_v,
        ),
        hysteresis_ppm=about(limits.hysteresis_ppm, 0.05 * usual),
        dips=tuple(_dips(part, rng)),
        load_pf=load_pf,
        load_ppm_per_pf=about(limits.load_ppm, 0.1 * usual) / 5.0,
        control_v=control_v,
        pull_ppm_per_v=(limits.pull_ppm or 0.0) * rng.uniform(1.1, 1.6) / reach_v,
        bend_ppm_per_v2=(limits.pull_ppm or 0.0) * rng.gauss(0, 0.05) / reach_v**2,
        start_s=about(limits.start_up_s, 0.01),
        warm_ppm=usual * rng.uniform(1, 3),
        warm_s=(limits.warm_up_s or 60.0) * rng.uniform(0.3, 0.5),
        retrace_ppm=about(limits.retrace_ppm, 0.02 * usual),
    )


def _dips(part: Part, rng: random.Random) -> Iterator[DipSpec]:
    """Yield an activity dip of the few devices that have one."""
    if rng.random() < _DIPS:
        low, high = part.limits.range_c or (-20.0, 70.0)
        yield DipSpec(
            at_c=rng.uniform(low + 15, high - 15),
            depth_ppm=(part.limits.stability_ppm or part.limits.tolerance_ppm) * 0.3,
            width_c=rng.uniform(2, 4),
        )


def _span_c(part: Part) -> float:
    low, high = part.limits.range_c or (-20.0, 70.0)
    return high - low


def bench_lines(scenario: RackScenario, addresses: dict[str, str]) -> Iterator[str]:
    """Yield the lines of a bench file for a rack, as a person would write it."""
    yield f"# {scenario.title}: everything it gives is simulated"
    yield from ("", "[instruments.counter]", 'driver = "scpi-counter"')
    yield f'address = "{addresses["counter"]}"'
    yield f"gate_s = {scenario.gate_s!r}"
    yield f"timebase_ppm = {scenario.counter.stated_ppm!r}"
    yield from ("", "[instruments.probe]", 'driver = "scpi-thermometer"')
    yield f'address = "{addresses["probe"]}"'
    yield "u_c = 0.15"  # with what places differ by
    yield "every_s = 5.0"
    spec = scenario.chamber
    yield from ("", "[instruments.chamber]", 'driver = "modbus-chamber"')
    yield f'address = "{addresses["chamber"]}"'
    yield "simulated = true"
    yield f"low = {spec.low_c!r}"
    yield f"high = {spec.high_c!r}"
    yield f"rate_per_min = {spec.rate_c_per_min!r}"
    yield from ("", "[instruments.supply]", 'driver = "scpi-supply"')
    yield f'address = "{addresses["supply"]}"'
    yield from ("low = 0.0", "high = 5.5")
    yield from ("", "[instruments.pulling]", 'driver = "scpi-supply"')
    yield f'address = "{addresses["pulling"]}"'
    yield from ("low = 0.0", "high = 5.0")
    yield from ("", "[instruments.loads]", 'driver = "scpi-load"')
    yield f'address = "{addresses["loads"]}"'
    yield from ("low = 0.0", "high = 50.0")
    yield from ("", "[instruments.scanner]", 'driver = "scpi-scanner"')
    yield f'address = "{addresses["scanner"]}"'
    for place in range(len(scenario.devices)):
        yield from ("", "[[position]]", f'name = "P{place + 1:02d}"')
        yield 'frequency = "counter"'
        yield from ('through = "scanner"', f"channel = {FIRST_CHANNEL + place}")
        yield from ('ambient = "probe"', 'chamber = "chamber"')
        yield 'feed = "supply"'
        yield from ('control = "pulling"', 'load = "loads"')
